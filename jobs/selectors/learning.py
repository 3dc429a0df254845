"""What finished work has taught: factors of planned hours by phase and crew, and their drift."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from contractor.engine.learning import Belief, Prediction, learn
from contractor.trade.phases import PHASE_TABLE
from jobs.selectors.history import as_finished, finished_phases

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from contractor.engine.learning import Beliefs
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
    """

    phase: str
    crew: str
    count: int
    factor: float
    low: float
    high: float
    next_low: float
    next_high: float


@dataclass(frozen=True, slots=True)
class Drift:
    """How the mean factor of the recent work differs from that of the work before."""

    phase: str
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
    """All that learning shows: by phase and by crew, drift, and the work itself, latest first."""

    phases: tuple[Learned, ...]
    crews: tuple[Learned, ...]
    drift: tuple[Drift, ...]
    pieces: tuple[Piece, ...]


def learning(*, now: datetime) -> Learning:
    """Return what finished work has taught until `now`; one query."""
    rows = [
        (phase, work)
        for phase in finished_phases(before=now)
        if (work := as_finished(phase)) is not None
    ]
    counted = [(phase, work) for phase, work in rows if _left_out(phase) == ""]
    beliefs = learn(work for _, work in counted)
    names = {str(phase.crew_id): phase.crew.name for phase, _ in counted if phase.crew}
    pieces = [Piece(phase, math.exp(work.log_factor), _left_out(phase)) for phase, work in rows]
    return Learning(
        phases=_by_phase(beliefs),
        crews=_by_crew(beliefs, names),
        drift=_drift([(phase, work.log_factor) for phase, work in counted], beliefs, now),
        pieces=tuple(reversed(pieces)),
    )


def _left_out(phase: Phase) -> str:
    row = getattr(phase, "left_out", None)
    return "" if row is None else row.reason


def _by_phase(beliefs: Beliefs) -> tuple[Learned, ...]:
    order = list(PHASE_TABLE)
    kinds = sorted(beliefs.by_kind, key=order.index)
    return tuple(
        _learned(kind, "", beliefs.by_kind[kind], beliefs.count_of_kind[kind]) for kind in kinds
    )


def _by_crew(beliefs: Beliefs, names: dict[str, str]) -> tuple[Learned, ...]:
    order = list(PHASE_TABLE)
    cells = sorted(beliefs.by_both, key=lambda cell: (order.index(cell[0]), names[cell[1]]))
    return tuple(
        _learned(kind, names[crew], beliefs.by_both[kind, crew], beliefs.count_of_both[kind, crew])
        for kind, crew in cells
    )


def _learned(kind: str, crew: str, belief: Belief, count: int) -> Learned:
    mean, following = mean_factor(belief), belief.prediction()
    return Learned(
        phase=PHASE_TABLE[kind].label,
        crew=crew,
        count=count,
        factor=math.exp(belief.mean),
        low=mean.factor(LOW),
        high=mean.factor(HIGH),
        next_low=following.factor(LOW),
        next_high=following.factor(HIGH),
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


def _drift(
    rows: Sequence[tuple[Phase, float]], beliefs: Beliefs, now: datetime
) -> tuple[Drift, ...]:
    """Return the phases that have enough work on both sides of the last half year."""
    since = now - timedelta(days=RECENT_DAYS)
    logs: dict[str, tuple[list[float], list[float]]] = defaultdict(lambda: ([], []))
    for phase, log_factor in rows:
        is_recent = phase.done_at is not None and phase.done_at >= since
        logs[phase.code][is_recent].append(log_factor)
    found = []
    for kind in PHASE_TABLE:
        before, recent = logs[kind]
        if min(len(before), len(recent)) < LEAST_TO_COMPARE:
            continue
        means = [math.fsum(values) / len(values) for values in (before, recent)]
        error = math.sqrt(beliefs.by_kind[kind].variance * (1 / len(before) + 1 / len(recent)))
        found.append(
            Drift(
                phase=PHASE_TABLE[kind].label,
                before=math.exp(means[0]),
                before_count=len(before),
                recent=math.exp(means[1]),
                recent_count=len(recent),
                is_hardly_luck=abs(means[1] - means[0]) > HARDLY_LUCK * error,
            )
        )
    return tuple(found)
