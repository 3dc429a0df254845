"""A portfolio in whole steps, as a general solver is given it, and a plain pass to hint it with.

For specialists the steps are half-days and the model is the same problem. For all-round crews it
is a likeness in quarters of a working day: durations are rounded to the nearest step, a cure of
three days is the working time that three days hold on average, a notice is one working day, and an
inspection comes as a day begins. Its order and crews are then timed by the engine's decoder.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from contractor.engine.problem import Activity, Problem
from contractor.engine.worktime import SLOTS_PER_DAY, WorkCalendar
from tests.bench.portfolio_crews import CURE, FULL_DAYS, NOTICE
from tests.bench.portfolio_specialists import HALF_DAY

CURE_WORKING_DAYS = 3 * 5 / 7


@dataclass(frozen=True, slots=True)
class CoarseMode:
    """One way to do a task; `uses` are indexes of resources, the crew first if there is one."""

    steps: int
    uses: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class CoarseTask:
    """A task of a job. `as_day_begins`: it starts only with the first step of a day."""

    job: int
    modes: tuple[CoarseMode, ...]
    release: int
    as_day_begins: bool = False


@dataclass(frozen=True, slots=True)
class CoarseJob:
    """The step at which the promised day ends, and what each day after it weighs."""

    due: int
    weight: int


@dataclass(frozen=True, slots=True)
class Coarse:
    """A problem in steps. `links` are (before, after, lag), in an order where leaders come first.

    `capacity` is by resource; `exact` says that its plans are plans of the problem itself.
    """

    tasks: tuple[CoarseTask, ...]
    links: tuple[tuple[int, int, int], ...]
    jobs: tuple[CoarseJob, ...]
    capacity: tuple[int, ...]
    steps_per_day: int
    exact: bool


@dataclass(frozen=True, slots=True)
class CoarsePlan:
    """A start and a mode for every task."""

    start: tuple[int, ...]
    mode: tuple[int, ...]

    def finish(self, coarse: Coarse, task: int) -> int:
        """Return the step at which `task` ends."""
        return self.start[task] + coarse.tasks[task].modes[self.mode[task]].steps


def coarse_specialists(problem: Problem) -> Coarse:
    """Return a problem of specialists in half-days, exactly."""
    return Coarse(
        tasks=tuple(
            CoarseTask(
                activity.job,
                tuple(
                    CoarseMode(mode.work_slots // HALF_DAY, _uses(mode.crew, mode.machines))
                    for mode in activity.modes
                ),
                activity.release // HALF_DAY,
            )
            for activity in problem.activities
        ),
        links=tuple(
            (
                link.before,
                link.after,
                0 if link.wait is None else int(problem.waits[link.wait].table[0]) // HALF_DAY,
            )
            for link in problem.links
        ),
        jobs=tuple(CoarseJob((job.due or 0) // HALF_DAY, int(job.weight)) for job in problem.jobs),
        capacity=tuple(resource.capacity for resource in problem.resources),
        steps_per_day=2,
        exact=True,
    )


def coarse_crews(problem: Problem, *, steps_per_day: int = 4) -> Coarse:
    """Return a problem of all-round crews in steps of working time, `steps_per_day` to the day.

    A promise keeps its day; days late are counted in working days, alike for every job.
    """
    full = problem.calendars[FULL_DAYS]
    slots_per_day = _longest_day(full)
    slots_per_step = slots_per_day / steps_per_day
    lags = {None: 0, NOTICE: steps_per_day, CURE: round(CURE_WORKING_DAYS * steps_per_day)}
    return Coarse(
        tasks=tuple(
            _coarse_crew_task(problem, activity, slots_per_day, slots_per_step)
            for activity in problem.activities
        ),
        links=tuple((link.before, link.after, lags[link.wait]) for link in problem.links),
        jobs=tuple(
            CoarseJob(
                round(full.before[job.due or 0] / slots_per_day) * steps_per_day, int(job.weight)
            )
            for job in problem.jobs
        ),
        capacity=tuple(resource.capacity for resource in problem.resources),
        steps_per_day=steps_per_day,
        exact=False,
    )


def plan_in_order(
    coarse: Coarse, order: Sequence[int], mode: Sequence[int], *, first_start: int = 0
) -> CoarsePlan:
    """Return the plan in which tasks, in `order`, each start as soon as what they use is free.

    `order` has leaders before followers. Nothing is put in front of what is placed, so a feasible
    plan given by its starts comes out no later than it was.
    """
    free = [[first_start] * capacity for capacity in coarse.capacity]
    start = [0] * len(coarse.tasks)
    leaders: list[list[tuple[int, int]]] = [[] for _ in coarse.tasks]
    for before, after, lag in coarse.links:
        leaders[after].append((before, lag))
    for i in order:
        task = coarse.tasks[i]
        chosen = task.modes[mode[i]]
        ready = [
            start[leader] + coarse.tasks[leader].modes[mode[leader]].steps + lag
            for leader, lag in leaders[i]
        ]
        begins = max([task.release, *ready, *(min(free[r]) for r in chosen.uses)])
        if task.as_day_begins:
            begins += -begins % coarse.steps_per_day
        start[i] = begins
        for resource in chosen.uses:
            _take(free[resource], begins, begins + chosen.steps)
    return CoarsePlan(tuple(start), tuple(mode))


def weighted_days_late(coarse: Coarse, plan: CoarsePlan) -> int:
    """Return the whole days that jobs end after their promised day, times their weights."""
    ends = [0] * len(coarse.jobs)
    for i, task in enumerate(coarse.tasks):
        ends[task.job] = max(ends[task.job], plan.finish(coarse, i))
    return sum(
        job.weight * max(0, -((job.due - end) // coarse.steps_per_day))
        for job, end in zip(coarse.jobs, ends, strict=True)
    )


def heads(coarse: Coarse) -> list[int]:
    """Return the first step at which each task could start if nothing were ever busy."""
    earliest = [task.release for task in coarse.tasks]
    for before, after, lag in _leaders_first(coarse):
        ready = earliest[before] + _shortest(coarse.tasks[before]) + lag
        earliest[after] = max(earliest[after], ready)
    return earliest


def tails(coarse: Coarse) -> list[int]:
    """Return how many steps must at least pass from each task's start to its job's end."""
    rest = [_shortest(task) for task in coarse.tasks]
    for before, after, lag in reversed(_leaders_first(coarse)):
        rest[before] = max(rest[before], _shortest(coarse.tasks[before]) + lag + rest[after])
    return rest


def _leaders_first(coarse: Coarse) -> list[tuple[int, int, int]]:
    """Return the links so that those into a task come before those out of it.

    Within a job of both shapes tasks are numbered leaders first.
    """
    return sorted(coarse.links)


def _shortest(task: CoarseTask) -> int:
    return min(mode.steps for mode in task.modes)


def _take(units: list[int], begins: int, ends: int) -> None:
    """Give the work to the unit that has been free for the shortest time."""
    latest = max(range(len(units)), key=lambda u: units[u] if units[u] <= begins else -1)
    units[latest] = ends


def _coarse_crew_task(
    problem: Problem, activity: Activity, slots_per_day: int, slots_per_step: float
) -> CoarseTask:
    full = problem.calendars[FULL_DAYS]
    steps_per_day = round(slots_per_day / slots_per_step)
    worked_before = full.before[activity.release] / slots_per_step
    if activity.windows:
        return CoarseTask(
            activity.job, (CoarseMode(0, ()),), round(worked_before), as_day_begins=True
        )
    modes = []
    for mode in activity.modes:
        share = _longest_day(problem.calendars[mode.calendar]) / slots_per_day
        steps = max(1, round(mode.work_slots / share / slots_per_step))
        modes.append(CoarseMode(steps, _uses(mode.crew, mode.machines)))
    release = round(worked_before / steps_per_day) * steps_per_day
    return CoarseTask(activity.job, tuple(modes), release)


def _longest_day(calendar: WorkCalendar) -> int:
    days = calendar.working[: calendar.slots // SLOTS_PER_DAY * SLOTS_PER_DAY]
    return int(np.max(days.reshape(-1, SLOTS_PER_DAY).sum(axis=1)))


def _uses(crew: int | None, machines: tuple[int, ...]) -> tuple[int, ...]:
    return machines if crew is None else (crew, *machines)
