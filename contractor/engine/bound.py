"""A bound from below: what every plan costs at least, if no crew or machine were ever busy."""

from dataclasses import dataclass, replace
from math import inf

from contractor.engine.fit import first_fit
from contractor.engine.objective import PRICE_FINISH_DAY, PRICE_LATE_DAY, days_late
from contractor.engine.prepared import FitWindows, Prepared, prepare
from contractor.engine.problem import Problem
from contractor.engine.worktime import SLOTS_PER_DAY

__all__ = ["Bound", "lower_bound"]


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
    prepared = prepare(problem)
    starts = [0] * prepared.size
    finishes = [0] * prepared.size
    ends = [-1] * len(problem.jobs)
    for i in prepared.topological:
        earliest = prepared.earliest[i]
        for before, start_to_start, table, _ in prepared.leaders[i]:
            slot = starts[before] if start_to_start else finishes[before]
            earliest = max(earliest, slot if table is None else table[slot])
        start, finish = _earliest_dates(prepared, i, earliest, prepared.windows[i])
        starts[i], finishes[i] = start, finish
        if prepared.modes[i]:
            ends[prepared.job[i]] = max(ends[prepared.job[i]], finish)
    late = sum(
        job.weight * days_late(job.due, end)
        for job, end in zip(problem.jobs, ends, strict=True)
        if job.due is not None and end >= 0
    )
    days = sum(end - problem.now for end in ends if end >= 0) / SLOTS_PER_DAY
    return Bound(late, days, PRICE_LATE_DAY * late + PRICE_FINISH_DAY * days)


def _earliest_dates(
    prepared: Prepared, i: int, earliest: int, windows: FitWindows | None
) -> tuple[int, int]:
    start, finish = inf, inf
    for mode in prepared.modes[i]:
        fit = first_fit(replace(mode, uses=()), earliest, windows, ())
        if fit is not None:
            start, finish = min(start, fit.start), min(finish, fit.finish)
    if start == inf:
        return earliest, earliest
    return int(start), int(finish)
