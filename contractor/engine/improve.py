"""Local search on the priority order and the crews of jobs, through the decoder.

Late acceptance hill climbing (Burke and Bykov 2017, European Journal of Operational Research
258(1), from memory): a change stays when it is no worse than the plan of some steps ago. It needs
no cooling schedule, so it can be stopped at any time. A faster search may stand in its place: the
seam is `search`.
"""

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Protocol

from contractor.engine.dates import UNPLANNED, Dates
from contractor.engine.decode import to_schedule
from contractor.engine.objective import Objective, objective, score
from contractor.engine.prepared import Prepared, prepare
from contractor.engine.problem import Problem
from contractor.engine.schedule import Schedule
from contractor.engine.serial import run_serial
from contractor.engine.worktime import SLOTS_PER_DAY, HorizonExceeded

__all__ = ["Improved", "IterationStop", "Progress", "SecondsStop", "Stop", "improve", "search"]

MEMORY = 30
PROGRESS_EVERY = 25
SHARE_JOB_MOVES = 0.3
SHARE_ACTIVITY_MOVES = 0.25
SHARE_BEGIN_MOVES = 0.25
MOST_BEGIN_MOVE_DAYS = 28
SHARE_LATE_FIRST = 0.5

Progress = Callable[[int, float], None]
"""Called with the number of iterations and the best total so far."""


class Stop(Protocol):
    """Says whether to stop, given the iterations done and the best total so far."""

    def __call__(self, iterations: int, best: float) -> bool: ...


@dataclass(frozen=True, slots=True)
class IterationStop:
    """Stop after `limit` iterations: the same seed then gives the same plan."""

    limit: int

    def __call__(self, iterations: int, best: float) -> bool:
        return iterations >= self.limit


@dataclass(slots=True)
class SecondsStop:
    """Stop `seconds` after this was made, so the time for the first plan counts too."""

    seconds: float
    clock: Callable[[], float] = time.monotonic
    _until: float = field(init=False)

    def __post_init__(self) -> None:
        self._until = self.clock() + self.seconds

    def __call__(self, iterations: int, best: float) -> bool:
        return self.clock() >= self._until


@dataclass(frozen=True, slots=True)
class Improved:
    """The best schedule found, its cost, and the iterations it took to stop."""

    schedule: Schedule
    objective: Objective
    iterations: int


def improve(
    problem: Problem,
    start: Schedule,
    *,
    stop: Stop,
    seed: int,
    progress: Progress | None = None,
) -> Schedule:
    """Return a schedule that costs no more than `start`."""
    return search(problem, start, stop=stop, seed=seed, progress=progress).schedule


def search(
    problem: Problem,
    start: Schedule,
    *,
    stop: Stop,
    seed: int,
    progress: Progress | None = None,
) -> Improved:
    """Return the best of `start` and all that the search tries until `stop` says so."""
    best = objective(problem, start)
    if not problem.activities:
        return Improved(start, best, 0)
    walk = _Walk(problem, prepare(problem), start, Random(seed))
    best_dates: Dates | None = None
    if walk.dates is not None and walk.cost < best.total:
        best_dates, best = walk.dates, score(problem, walk.dates)
    iterations = 0
    while not stop(iterations, best.total):
        iterations += 1
        found = walk.step(iterations)
        improved = found is not None and found.total < best.total
        if found is not None and improved:
            best, best_dates = found, walk.dates
        if progress is not None and (improved or iterations % PROGRESS_EVERY == 0):
            progress(iterations, best.total)
    if best_dates is None:
        return Improved(start, best, iterations)
    return Improved(to_schedule(problem, best_dates), best, iterations)


class _Walk:
    """The current order and crews, the change being tried, and the costs remembered."""

    def __init__(
        self, problem: Problem, prepared: Prepared, start: Schedule, random: Random
    ) -> None:
        self.problem = problem
        self.prepared = prepared
        self.random = random
        self.order = _order_of(prepared, start)
        self.crews = _crews_of(problem, start)
        self.begins = _begins_of(self.prepared, start)
        self.members = prepared.members_by_job
        self.jobs = [j for j, members in enumerate(self.members) if members]
        self.dates = self._decode(self.order, self.crews, self.begins)
        self.cost = score(problem, self.dates).total if self.dates else float("inf")
        self.late = self._late_jobs()
        self.remembered = [self.cost] * MEMORY

    def step(self, iteration: int) -> Objective | None:
        """Try one change; return its cost if it was taken, else None."""
        order, crews, begins = self._changed()
        dates = self._decode(order, crews, begins)
        if dates is None:
            return None
        found = score(self.problem, dates)
        slot = iteration % MEMORY
        taken = found.total <= max(self.cost, self.remembered[slot])
        if taken:
            self.order, self.crews, self.begins = order, crews, begins
            self.dates, self.cost = dates, found.total
            self.late = self._late_jobs()
        self.remembered[slot] = self.cost
        return found if taken else None

    def _decode(
        self, order: list[int], crews: dict[int, int], begins: dict[int, int]
    ) -> Dates | None:
        try:
            return run_serial(self.prepared, order, crew_choice=crews, begins=begins)
        except HorizonExceeded:
            return None

    def _changed(self) -> tuple[list[int], dict[int, int], dict[int, int]]:
        """Return order, crews and begins with one of them changed for one job."""
        share, job = self.random.random(), self._pick_job()
        if share < SHARE_JOB_MOVES:
            return self._moved(self.members[job]), self.crews, self._free(job)
        share -= SHARE_JOB_MOVES
        if share < SHARE_ACTIVITY_MOVES:
            one = self.random.choice(self.members[job])
            return self._moved([one]), self.crews, self.begins
        share -= SHARE_ACTIVITY_MOVES
        if share < SHARE_BEGIN_MOVES:
            return self.order, self.crews, self._other_begin(job)
        return self.order, self._other_crew(job), self._free(job)

    def _free(self, job: int) -> dict[int, int]:
        """Return the begins with one job free to begin as soon as it can."""
        return {j: slot for j, slot in self.begins.items() if j != job}

    def _other_begin(self, job: int) -> dict[int, int]:
        begins = self._free(job)
        starts = _begins_of_dates(self.prepared, self.dates, [job]) if self.dates else {}
        days = self.random.randint(-MOST_BEGIN_MOVE_DAYS, MOST_BEGIN_MOVE_DAYS)
        if job in starts and starts[job] + days * SLOTS_PER_DAY > self.problem.now:
            begins[job] = starts[job] + days * SLOTS_PER_DAY
        return begins

    def _pick_job(self) -> int:
        if self.late and self.random.random() < SHARE_LATE_FIRST:
            return self.random.choice(self.late)
        return self.random.choice(self.jobs)

    def _moved(self, activities: Sequence[int]) -> list[int]:
        """Return the order with `activities` taken out and put back together elsewhere."""
        taken = set(activities)
        rest = [i for i in self.order if i not in taken]
        place = self.random.randint(0, len(rest))
        return [*rest[:place], *(i for i in self.order if i in taken), *rest[place:]]

    def _other_crew(self, job: int) -> dict[int, int]:
        """Return the crews with one job put on one crew wherever it can, or left to the decoder."""
        crews = dict(self.crews)
        members = self.members[job]
        able = sorted(
            {m.crew for i in members for m in self.prepared.modes[i] if m.crew is not None}
        )
        choice = self.random.randint(0, len(able))
        for i in members:
            crews.pop(i, None)
            if choice < len(able) and any(m.crew == able[choice] for m in self.prepared.modes[i]):
                crews[i] = able[choice]
        return crews

    def _late_jobs(self) -> list[int]:
        if self.dates is None:
            return []
        late = set()
        for i, finish in enumerate(self.dates.finish):
            job = self.prepared.job[i]
            due = self.problem.jobs[job].due
            if due is not None and self.dates.mode[i] != UNPLANNED and finish > due:
                late.add(job)
        return sorted(late)


def _order_of(prepared: Prepared, schedule: Schedule) -> list[int]:
    """Return all activities by start, leaders first at the same start, unplanned ones last."""
    starts = [
        prepared.axis_slots + 1 if placed is None else placed.start for placed in schedule.placed
    ]
    return sorted(prepared.topological, key=starts.__getitem__)


def _crews_of(problem: Problem, schedule: Schedule) -> dict[int, int]:
    crews = {}
    for placed in schedule.placed:
        if placed is not None:
            crew = problem.activities[placed.activity].modes[placed.mode].crew
            if crew is not None:
                crews[placed.activity] = crew
    return crews


def _begins_of(prepared: Prepared, schedule: Schedule) -> dict[int, int]:
    """Return when each job begins that may be held back, so that a pass keeps it so."""
    starts = {placed.activity: placed.start for placed in schedule.placed if placed is not None}
    return _first_starts(prepared, starts, range(len(prepared.members_by_job)))


def _begins_of_dates(prepared: Prepared, dates: Dates, jobs: Iterable[int]) -> dict[int, int]:
    starts = {
        i: dates.start[i]
        for j in jobs
        for i in prepared.members_by_job[j]
        if dates.mode[i] != UNPLANNED
    }
    return _first_starts(prepared, starts, jobs)


def _first_starts(
    prepared: Prepared, starts: dict[int, int], jobs: Iterable[int]
) -> dict[int, int]:
    begins = {}
    for job in jobs:
        free = [i for i in prepared.members_by_job[job] if i in starts and prepared.may_wait[i]]
        if free:
            begins[job] = min(starts[i] for i in free)
    return begins
