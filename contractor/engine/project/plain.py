"""A single project without calendars or choices, and when a planning problem is no more than that.

The resource-constrained project scheduling problem of the literature (PS | prec | Cmax): every
activity has one duration, takes some units of each resource all along, and follows others.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from contractor.engine.compiled import Longs
from contractor.engine.problem import Activity, Link, Mode, Problem, Wait

__all__ = ["PlainProject", "as_plain", "to_slots"]


@dataclass(frozen=True, slots=True, eq=False)
class PlainProject:
    """Activities 0 to n - 1; a source and a sink need not be among them.

    `durations[n]` in slots; `demands[n, r]` and `capacities[r]` in units; a row of
    `precedence[m, 3]` holds the activity before, the one after, and the least number of slots from
    the finish of the one to the start of the other. Nothing starts before slot `release`. Raises
    ValueError for shapes that do not fit, negative figures, more demand than capacity, and cycles.
    """

    durations: Longs
    demands: Longs
    capacities: Longs
    precedence: Longs
    release: int = 0

    def __post_init__(self) -> None:
        for name in ("durations", "demands", "capacities", "precedence"):
            object.__setattr__(self, name, _whole_numbers(name, getattr(self, name)))
        n, r = self.durations.size, self.capacities.size
        if n == 0:
            raise ValueError("durations: a project needs at least one activity")
        _require_shape("durations", self.durations, (n,))
        _require_shape("capacities", self.capacities, (r,))
        _require_shape("demands", self.demands, (n, r))
        _require_shape("precedence", self.precedence, (self.precedence.shape[0], 3))
        if self.release < 0:
            raise ValueError(f"release {self.release}: lies before the axis")
        self._check_demands()
        self._check_precedence()

    @property
    def size(self) -> int:
        """Return the number of activities."""
        return int(self.durations.size)

    def _check_demands(self) -> None:
        over = np.argwhere(self.demands > self.capacities)
        if over.size:
            i, r = over[0]
            raise ValueError(
                f"demands: activity {i} needs {self.demands[i, r]} units of resource {r}, which "
                f"has {self.capacities[r]}; lower the demand or raise the capacity"
            )
        momentary = np.flatnonzero((self.durations == 0) & self.demands.any(axis=1))
        if momentary.size:
            raise ValueError(
                f"demands: activity {momentary[0]} takes no time but units of a resource; "
                "give it a duration or no demand"
            )

    def _check_precedence(self) -> None:
        ends = self.precedence[:, :2]
        wrong = np.argwhere(ends >= self.size)
        if wrong.size:
            row = self.precedence[wrong[0][0]].tolist()
            raise ValueError(f"precedence {row}: activities are numbered 0 to {self.size - 1}")
        waiting_for = np.bincount(ends[:, 1], minlength=self.size)
        followers: list[list[int]] = [[] for _ in range(self.size)]
        for before, after in ends.tolist():
            followers[before].append(after)
        ready = np.flatnonzero(waiting_for == 0).tolist()
        for i in ready:
            for after in followers[i]:
                waiting_for[after] -= 1
                if waiting_for[after] == 0:
                    ready.append(after)
        if len(ready) < self.size:
            stuck = sorted(set(range(self.size)) - set(ready))
            raise ValueError(
                f"precedence: activities {stuck} follow one another in a cycle; take one link out"
            )


def as_plain(problem: Problem) -> PlainProject | None:
    """Return `problem` as a single plain project, or None where it is more than that.

    In such a problem the earliest finish of its one job is the plan of least cost: nothing was
    told to anybody, nothing is fixed, everybody works all the time, and crews cannot be chosen.
    """
    begins = {max(problem.now, activity.release) for activity in problem.activities}
    modes = [activity.modes[0] for activity in problem.activities if _is_free(activity)]
    if (
        len(problem.jobs) != 1
        or len(begins) != 1
        or len(modes) != len(problem.activities)
        or problem.jobs[0].visit_price > 0
        # With crews on some activities only, the days that the site stands open count apart.
        or len({mode.crew is None for mode in modes}) != 1
        or not all(_always_works(problem, mode) for mode in modes)
    ):
        return None
    precedence = _precedence(problem)
    if precedence is None:
        return None
    demands = np.zeros((len(modes), len(problem.resources)), dtype=np.int64)
    for i, mode in enumerate(modes):
        for resource in (*mode.machines, *(() if mode.crew is None else (mode.crew,))):
            demands[i, resource] += 1
        if mode.work_slots == 0 and demands[i].any():
            return None
    used = np.flatnonzero(demands.any(axis=0)).tolist()
    if any(problem.resources[r].blocked for r in used):
        return None
    return PlainProject(
        durations=np.array([mode.work_slots for mode in modes], dtype=np.int64),
        demands=demands[:, used],
        capacities=np.array([problem.resources[r].capacity for r in used], dtype=np.int64),
        precedence=precedence,
        release=begins.pop(),
    )


def to_slots(project: PlainProject, starts: Sequence[int]) -> tuple[int, ...]:
    """Return `starts`, counted from the project's release, as slots of the problem's axis."""
    return tuple(project.release + start for start in starts)


def _is_free(activity: Activity) -> bool:
    return (
        len(activity.modes) == 1
        and not activity.windows
        and activity.pin is None
        and activity.announced is None
        and not activity.under_way
    )


def _always_works(problem: Problem, mode: Mode) -> bool:
    calendar = problem.calendars[mode.calendar]
    return calendar.total == calendar.slots


def _precedence(problem: Problem) -> Longs | None:
    lags = [_constant_lag(wait) for wait in problem.waits]
    rows = []
    for link in problem.links:
        lag = 0 if link.wait is None else lags[link.wait]
        if not _is_plain(link) or lag is None:
            return None
        rows.append((link.before, link.after, lag))
    return np.array(rows, dtype=np.int64).reshape(-1, 3)


def _is_plain(link: Link) -> bool:
    return not link.start_to_start and link.longest_slots is None


def _constant_lag(wait: Wait) -> int | None:
    lags = wait.table - np.arange(wait.table.size, dtype=np.int32)
    return int(lags[0]) if (lags == lags[0]).all() else None


def _whole_numbers(name: str, values: object) -> Longs:
    array = np.array(values)
    if array.size and array.dtype.kind not in "iu":
        raise ValueError(f"{name}: has values of type {array.dtype}; give whole numbers")
    whole = array.astype(np.int64)
    if whole.size and whole.min() < 0:
        raise ValueError(f"{name}: has {whole.min()}; no figure of a project is negative")
    whole.flags.writeable = False
    return whole


def _require_shape(name: str, array: Longs, shape: tuple[int, ...]) -> None:
    if array.shape != shape:
        raise ValueError(f"{name}: has shape {array.shape}; needs {shape}")
