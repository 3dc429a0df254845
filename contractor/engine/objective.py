"""What a plan costs: late promises, moves of what people were told, crews, and time."""

from dataclasses import dataclass

from contractor.engine.dates import UNPLANNED, Dates
from contractor.engine.prepared import prepare
from contractor.engine.problem import Problem
from contractor.engine.schedule import Schedule
from contractor.engine.worktime import SLOTS_PER_DAY

__all__ = ["FROZEN_TOLERANCE_SLOTS", "Objective", "objective", "score"]

# Prices of one unit each. The gaps make the order of importance, the sizes are our own choice.
# A day that a site stands open (holes cave in, a locate ticket runs out, a crew drives out once
# more) costs as much as four days of waiting for the finish, so a job rather begins later than
# stands half done. Eight weeks of it still cost far less than one day of a broken promise.
PRICE_UNPLANNED = 1_000_000.0
PRICE_BROKEN_PIN = 100_000.0
PRICE_FROZEN_MOVE = 20_000.0
PRICE_LATE_DAY = 1_000.0
PRICE_CREW_CHANGE = 100.0
PRICE_EXTRA_CREW = 30.0
PRICE_MOVED_DAY = 20.0
PRICE_OPEN_DAY = 4.0
PRICE_FINISH_DAY = 1.0
FROZEN_TOLERANCE_SLOTS = 16
"""A start inside the freeze that moves by less than these four hours is as good as kept.

A plan made a little later in the day cannot keep every quarter hour, and would be ruled by which
of them it loses; our own choice.
"""


@dataclass(frozen=True, slots=True)
class Objective:
    """The parts of a plan's cost and their priced sum.

    `late_weighted_days`: whole days each job ends after the day of its due slot, times its weight.
    `moved_days`: whole days announced starts move, times their weights; less than a day is free.
    `frozen_moves`: announced activities inside the freeze, not pinned since, on another crew or
    begun FROZEN_TOLERANCE_SLOTS or more away.
    `crew_changes`: activities on another crew than announced.
    `extra_crews`: crews on a job beyond one, its preferred crew counted as one.
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
        open_days=open_days,
        finish_days=finish_days,
        total=total,
    )


def days_late(due: int, finish: int) -> int:
    """Return whole days by which `finish` lies after the day that ends at slot `due`."""
    return max(0, -(-(finish - due) // SLOTS_PER_DAY))


def _by_job(problem: Problem, dates: Dates) -> tuple[float, int, float]:
    ends = [-1] * len(problem.jobs)
    jobs = prepare(problem).job
    for i, finish in enumerate(dates.finish):
        if dates.mode[i] != UNPLANNED and finish > ends[jobs[i]]:
            ends[jobs[i]] = finish
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
    prepared = prepare(problem)
    days = 0
    for members, begun in zip(prepared.members_by_job, prepared.begun_by_job, strict=True):
        on_site = [i for i in members if dates.crew[i] is not None]
        if on_site:
            opens = problem.now if begun else min(dates.start[i] for i in on_site)
            days += (max(dates.finish[i] for i in on_site) - opens) // SLOTS_PER_DAY
    return days


def _by_announced(problem: Problem, dates: Dates) -> tuple[float, int, int]:
    moved_days, frozen_moves, crew_changes = 0.0, 0, 0
    for i in prepare(problem).announced:
        activity = problem.activities[i]
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
    jobs = prepare(problem).job
    pairs = {(jobs[i], crew) for i, crew in enumerate(dates.crew) if crew is not None}
    pairs.update(
        (j, job.preferred_crew)
        for j, job in enumerate(problem.jobs)
        if job.preferred_crew is not None
    )
    return len(pairs) - len({job for job, _ in pairs})
