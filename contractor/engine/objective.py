"""What a plan costs: late promises, moves of what people were told, crews, and time."""

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contractor.engine.dates import Dates
from contractor.engine.prices import (
    FROZEN_TOLERANCE_SLOTS,
    PRICE_BROKEN_PIN,
    PRICE_CREW_CHANGE,
    PRICE_EXTRA_CREW,
    PRICE_FINISH_DAY,
    PRICE_FROZEN_MOVE,
    PRICE_LATE_DAY,
    PRICE_MOVED_DAY,
    PRICE_OPEN_DAY,
    PRICE_OVERLONG_DAY,
    PRICE_UNPLANNED,
)
from contractor.engine.problem import Problem
from contractor.engine.schedule import Schedule
from contractor.engine.state import UNPLANNED
from contractor.engine.worktime import SLOTS_PER_DAY

__all__ = ["FROZEN_TOLERANCE_SLOTS", "Objective", "objective", "score"]


@dataclass(frozen=True, slots=True)
class Objective:
    """The parts of a plan's cost and their priced sum.

    `late_weighted_days`: whole days each job ends after the day of its due slot, times its weight.
    `moved_days`: whole days announced starts move, times their weights; less than a day is free.
    `frozen_moves`: announced activities inside the freeze, not pinned since, on another crew or
    begun FROZEN_TOLERANCE_SLOTS or more away.
    `crew_changes`: activities on another crew than announced.
    `extra_crews`: crews on a job beyond one, its preferred crew counted as one.
    `visits`: how often crews come to sites, a crew that was away too long anew; `visits_priced`:
    each at its job's price.
    `overlong_days`: whole days by which links hold longer than they should.
    `open_days`: whole days from each job's first crew start (from now where it has begun) to its
    last crew finish, summed.
    `finish_days`: days from now to each job's finish, summed.
    """

    late_weighted_days: float
    late_jobs: int
    moved_days: float
    frozen_moves: int
    crew_changes: int
    extra_crews: int
    broken_pins: int
    unplanned: int
    visits: int
    visits_priced: float
    overlong_days: int
    open_days: int
    finish_days: float
    total: float


def objective(problem: Problem, schedule: Schedule) -> Objective:
    """Return the cost of `schedule` by parts."""
    size = len(problem.activities)
    dates = Dates(
        mode=[UNPLANNED] * size,
        crew=[None] * size,
        start=[0] * size,
        finish=[0] * size,
        blocker=[None] * size,
        begins={},
        not_before={},
        held_back_for=[None] * size,
        held_by={entry.activity: entry.activity for entry in schedule.unplanned},
        broken_pins=[entry.activity for entry in schedule.broken_pins],
    )
    for placed in schedule.placed:
        if placed is not None:
            i = placed.activity
            dates.mode[i] = placed.mode
            dates.crew[i] = problem.activities[i].modes[placed.mode].crew
            dates.start[i] = placed.start
            dates.finish[i] = placed.finish
    return score(problem, dates)


def score(problem: Problem, dates: Dates) -> Objective:
    """Return the cost of bare dates by parts."""
    late_days, late_jobs, finish_days = _by_job(problem, dates)
    moved_days, frozen_moves, crew_changes = _by_announced(problem, dates)
    extra_crews = _extra_crews(problem, dates)
    open_days = _open_days(problem, dates)
    visits, visits_priced = _visits(problem, dates)
    overlong_days = _overlong_days(problem, dates)
    activities = problem.activities
    lost_pins = {i for i in dates.held_by if activities[i].pin and not activities[i].under_way}
    broken_pins = len(lost_pins.union(dates.broken_pins))
    unplanned = len(dates.held_by)
    total = (
        PRICE_UNPLANNED * unplanned
        + PRICE_BROKEN_PIN * broken_pins
        + PRICE_FROZEN_MOVE * frozen_moves
        + PRICE_LATE_DAY * late_days
        + PRICE_CREW_CHANGE * crew_changes
        + PRICE_EXTRA_CREW * extra_crews
        + PRICE_MOVED_DAY * moved_days
        + visits_priced
        + PRICE_OVERLONG_DAY * overlong_days
        + PRICE_OPEN_DAY * open_days
        + PRICE_FINISH_DAY * finish_days
    )
    return Objective(
        late_weighted_days=late_days,
        late_jobs=late_jobs,
        moved_days=moved_days,
        frozen_moves=frozen_moves,
        crew_changes=crew_changes,
        extra_crews=extra_crews,
        broken_pins=broken_pins,
        unplanned=unplanned,
        visits=visits,
        visits_priced=visits_priced,
        overlong_days=overlong_days,
        open_days=open_days,
        finish_days=finish_days,
        total=total,
    )


def days_late(due: int, finish: int) -> int:
    """Return whole days by which `finish` lies after the day that ends at slot `due`."""
    return max(0, -(-(finish - due) // SLOTS_PER_DAY))


def all_days_late(due: int, finishes: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return `days_late` of each of `finishes`."""
    return np.maximum(0, -(-(finishes - due) // SLOTS_PER_DAY))


def _by_job(problem: Problem, dates: Dates) -> tuple[float, int, float]:
    ends = [-1] * len(problem.jobs)
    for activity, mode, finish in zip(problem.activities, dates.mode, dates.finish, strict=True):
        if mode != UNPLANNED and finish > ends[activity.job]:
            ends[activity.job] = finish
    late_days, late_jobs, finish_slots = 0.0, 0, 0
    for job, end in zip(problem.jobs, ends, strict=True):
        if end < 0:
            continue
        finish_slots += end - problem.now
        if job.due is not None and end > job.due:
            late_days += job.weight * days_late(job.due, end)
            late_jobs += 1
    return late_days, late_jobs, finish_slots / SLOTS_PER_DAY


def _open_days(problem: Problem, dates: Dates) -> int:
    opens: dict[int, int] = {}
    closes: dict[int, int] = {}
    for i, activity in enumerate(problem.activities):
        if dates.crew[i] is not None:
            job = activity.job
            opens[job] = min(opens.get(job, dates.start[i]), dates.start[i])
            closes[job] = max(closes.get(job, 0), dates.finish[i])
    begun = begun_jobs(problem)
    return sum(
        (closes[job] - (problem.now if begun[job] else since)) // SLOTS_PER_DAY
        for job, since in opens.items()
    )


def begun_jobs(problem: Problem) -> list[bool]:
    """Return whether each job is said to have begun, or has work that should have by now."""
    begun = [job.begun for job in problem.jobs]
    for activity in problem.activities:
        told = activity.announced
        if activity.under_way or (told is not None and told.start < problem.now):
            begun[activity.job] = True
    return begun


def _visits(problem: Problem, dates: Dates) -> tuple[int, float]:
    """Return the visits to all sites, and their price."""
    on_site: dict[tuple[int, int], list[int]] = defaultdict(list)
    for i, activity in enumerate(problem.activities):
        crew = dates.crew[i]
        if crew is not None:
            on_site[activity.job, crew].append(i)
    visits, priced = 0, 0.0
    for (job, _), stays in on_site.items():
        left: int | None = None
        for start, finish in sorted((dates.start[i], dates.finish[i]) for i in stays):
            if left is None or start - left > problem.visit_pause_slots:
                visits += 1
                priced += problem.jobs[job].visit_price
            left = finish if left is None else max(left, finish)
    return visits, priced


def _overlong_days(problem: Problem, dates: Dates) -> int:
    days = 0
    for link in problem.links:
        if (
            link.longest_slots is None
            or problem.activities[link.after].under_way
            or UNPLANNED in (dates.mode[link.before], dates.mode[link.after])
        ):
            continue
        frees = dates.start[link.before] if link.start_to_start else dates.finish[link.before]
        if link.wait is not None:
            frees = int(problem.waits[link.wait].table[frees])
        days += days_late(frees + link.longest_slots, dates.start[link.after])
    return days


def _by_announced(problem: Problem, dates: Dates) -> tuple[float, int, int]:
    moved_days, frozen_moves, crew_changes = 0.0, 0, 0
    for i, activity in enumerate(problem.activities):
        told = activity.announced
        if told is None or activity.under_way or dates.mode[i] == UNPLANNED:
            continue
        moved = abs(dates.start[i] - told.start)
        other_crew = told.crew is not None and dates.crew[i] != told.crew
        moved_days += told.weight * (moved // SLOTS_PER_DAY)
        crew_changes += other_crew
        frozen = told.start < problem.freeze_until and activity.pin is None
        frozen_moves += frozen and (moved >= FROZEN_TOLERANCE_SLOTS or other_crew)
    return moved_days, frozen_moves, crew_changes


def _extra_crews(problem: Problem, dates: Dates) -> int:
    pairs = {
        (activity.job, crew)
        for activity, crew in zip(problem.activities, dates.crew, strict=True)
        if crew is not None
    }
    pairs.update(
        (j, job.preferred_crew)
        for j, job in enumerate(problem.jobs)
        if job.preferred_crew is not None
    )
    return len(pairs) - len({job for job, _ in pairs})
