"""A bound from below: what every plan costs at least, if no crew or machine were ever busy."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from contractor.engine.compiled import Ints, kernel
from contractor.engine.fit import FITS, first_fit
from contractor.engine.objective import days_late
from contractor.engine.occupancy import new_state
from contractor.engine.prepared import NONE, Layout, prepare
from contractor.engine.prices import PRICE_FINISH_DAY, PRICE_LATE_DAY
from contractor.engine.problem import Problem
from contractor.engine.state import State
from contractor.engine.worktime import SLOTS_PER_DAY

__all__ = ["Bound", "bound_of", "lower_bound"]


@dataclass(frozen=True, slots=True)
class Bound:
    """No plan that places everything has fewer late weighted days, or a lower total."""

    late_weighted_days: float
    finish_days: float
    total: float


def lower_bound(problem: Problem) -> Bound:
    """Return the cost of the earliest dates that links, waits, calendars and windows allow.

    Earliest starts and finishes are taken separately, each from the mode that is best for it.
    Calendars and waits never let a later start finish sooner, so no plan undercuts either.
    """
    layout = prepare(problem)
    nobody = new_state(layout)
    nobody.words[:] = 0
    nobody.load[:] = 0
    return bound_of(problem, _earliest_ends(layout, nobody).tolist())


def bound_of(problem: Problem, ends: Sequence[int]) -> Bound:
    """Return the cost of jobs that end no sooner than `ends`; negative where nothing is done."""
    late = sum(
        job.weight * days_late(job.due, end)
        for job, end in zip(problem.jobs, ends, strict=True)
        if job.due is not None and end >= 0
    )
    days = sum(end - problem.now for end in ends if end >= 0) / SLOTS_PER_DAY
    return Bound(late, days, PRICE_LATE_DAY * late + PRICE_FINISH_DAY * days)


@kernel
def _earliest_ends(lay: Layout, nobody: State) -> Ints:
    """Return by job the earliest end where nobody is ever busy; NONE where nothing can be done."""
    starts = np.zeros(lay.size, dtype=np.int32)
    finishes = np.zeros(lay.size, dtype=np.int32)
    ends = np.full(lay.jobs, NONE, dtype=np.int32)
    for k in range(lay.size):
        i = lay.topological[k]
        earliest = lay.earliest[i]
        for entry in range(lay.leader_first[i], lay.leader_first[i + 1]):
            leader = lay.leader[entry]
            slot = starts[leader] if lay.leader_start_to_start[entry] else finishes[leader]
            if lay.leader_wait[entry] != NONE:
                slot = lay.wait_table[lay.leader_wait[entry] * (lay.axis_slots + 1) + slot]
            earliest = max(earliest, slot)
        start, finish = lay.axis_slots + 1, lay.axis_slots + 1
        for m in range(lay.mode_first[i], lay.mode_first[i + 1]):
            fit = first_fit(lay, nobody, m, lay.window_set[i], earliest)
            if fit[0] == FITS:
                start, finish = min(start, fit[2]), min(finish, fit[3])
        if start > lay.axis_slots:
            start, finish = earliest, earliest
        starts[i], finishes[i] = start, finish
        if lay.mode_first[i + 1] > lay.mode_first[i]:
            ends[lay.job[i]] = max(ends[lay.job[i]], finish)
    return ends
