"""What finished work has taught: factors of planned hours by phase and crew, and their drift."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from contractor.engine.learning import Belief, Prediction, learn
from contractor.trade.phases import PHASE_TABLE
from jobs.selectors.history import as_finished, finished_phases

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from jobs.models import Phase

# Work of this many days counts as recent, and so many pieces on either side tell a drift; our own.
RECENT_DAYS = 180
LEAST_TO_COMPARE = 4
# Beyond so many standard errors a difference is hardly luck: one time in twenty (normal).
HARDLY_LUCK = 1.96
LOW, HIGH = 0.1, 0.9


@dataclass(frozen=True, slots=True)
class Learned:
    """
    A factor of planned hours: 1.1 means that work takes a tenth more than planned.

    `low` and `high`: between them the usual factor lies four times in five, by what is known.
    `next_low` and `next_high` are the same of the next piece of work. `crew` is empty for all.
    `count` pieces stand behind it; `left_out` were left out of them. `drift` is None with too few.
    """

    code: str
    crew: str
    count: int
    left_out: int
    factor: float
    low: float
    high: float
    next_low: float
    next_high: float
    drift: Drift | None

    @property
    def phase(self) -> str:
        """Return the phase in words."""
        return PHASE_TABLE[self.code].label


@dataclass(frozen=True, slots=True)
class Drift:
    """How the mean factor of the recent work differs from that of the work before."""

    before: float
    before_count: int
    recent: float
    recent_count: int
    is_hardly_luck: bool


@dataclass(frozen=True, slots=True)
class Piece:
    """One finished phase, its factor, and why it is left out, if it is."""

    phase: Phase
    factor: float
    left_out_because: str


@dataclass(frozen=True, slots=True)
class Learning:
    """All that learning shows: by phase, by phase and crew, and the work itself, latest first."""

    phases: tuple[Learned, ...]
    crews: tuple[Learned, ...]
    pieces: tuple[Piece, ...]


# A kind of work, and whose: the crew's key and name, both empty for all crews.
_Cell = tuple[str, str, str]
_Dated = tuple["datetime", float]
_ORDER = {code: place for place, code in enumerate(PHASE_TABLE)}


def learning(*, now: datetime) -> Learning:
    """Return what finished work has taught until `now`; one query."""
    rows = [
        (phase, work)
        for phase in finished_phases(before=now)
        if (work := as_finished(phase)) is not None
    ]
    counted = [(phase, work) for phase, work in rows if _left_out(phase) == ""]
    left_out = Counter(cell for phase, _ in rows if _left_out(phase) for cell in _cells(phase))
    logs: dict[_Cell, list[_Dated]] = defaultdict(list)
    for phase, work in counted:
        for cell in _cells(phase):
            logs[cell].append((phase.done_at or now, work.log_factor))
    beliefs = learn(work for _, work in counted)
    since = now - timedelta(days=RECENT_DAYS)
    learned = [
        _learned(cell, beliefs.of(cell[0], cell[1] or None), logs[cell], left_out[cell], since)
        for cell in sorted(logs, key=lambda cell: (_ORDER[cell[0]], cell[2]))
    ]
    pieces = [Piece(phase, math.exp(work.log_factor), _left_out(phase)) for phase, work in rows]
    return Learning(
        phases=tuple(row for row in learned if not row.crew),
        crews=tuple(row for row in learned if row.crew),
        pieces=tuple(reversed(pieces)),
    )


def _cells(phase: Phase) -> tuple[_Cell, _Cell]:
    """Return what a finished phase teaches of: its kind, and its crew at the kind."""
    assert phase.crew is not None
    return (phase.code, "", ""), (phase.code, str(phase.crew_id), phase.crew.name)


def _left_out(phase: Phase) -> str:
    row = getattr(phase, "left_out", None)
    return "" if row is None else row.reason


def _learned(
    cell: _Cell, belief: Belief, logs: Sequence[_Dated], left_out: int, since: datetime
) -> Learned:
    mean, following = mean_factor(belief), belief.prediction()
    return Learned(
        code=cell[0],
        crew=cell[2],
        count=len(logs),
        left_out=left_out,
        factor=math.exp(belief.mean),
        low=mean.factor(LOW),
        high=mean.factor(HIGH),
        next_low=following.factor(LOW),
        next_high=following.factor(HIGH),
        drift=_drift(
            [log for at, log in logs if at < since],
            [log for at, log in logs if at >= since],
            belief,
        ),
    )


def mean_factor(belief: Belief) -> Prediction:
    """
    Return what is known of the usual factor: the marginal of the mean of log factors.

    Student's t with 2 shape degrees of freedom and scale √(scale ÷ (shape × weight)) (Murphy 2007,
    from memory; a test compares with scipy).
    """
    return Prediction(
        belief.mean, math.sqrt(belief.scale / (belief.shape * belief.weight)), 2 * belief.shape
    )


def _drift(before: Sequence[float], recent: Sequence[float], belief: Belief) -> Drift | None:
    """Return how log factors of the last half year differ from those before; None with too few."""
    if min(len(before), len(recent)) < LEAST_TO_COMPARE:
        return None
    means = [math.fsum(logs) / len(logs) for logs in (before, recent)]
    error = math.sqrt(belief.variance * (1 / len(before) + 1 / len(recent)))
    return Drift(
        before=math.exp(means[0]),
        before_count=len(before),
        recent=math.exp(means[1]),
        recent_count=len(recent),
        is_hardly_luck=abs(means[1] - means[0]) > HARDLY_LUCK * error,
    )
