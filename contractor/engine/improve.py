"""Local search on the priority order and the crews of jobs, through the decoder.

Late acceptance hill climbing (Burke and Bykov 2017, European Journal of Operational Research
258(1), from memory): a change stays when it is no worse than the plan of some steps ago. It needs
no cooling schedule, so it can be stopped at any time. A faster search may stand in its place: the
seam is `search`.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import Protocol

from contractor.engine.decode import to_schedule
from contractor.engine.objective import Objective, objective, score
from contractor.engine.prepared import Prepared, prepare
from contractor.engine.problem import Problem
from contractor.engine.schedule import Schedule
from contractor.engine.serial import UNPLANNED, Dates, run_serial
from contractor.engine.worktime import HorizonExceeded

__all__ = ["Improved", "IterationStop", "Progress", "SecondsStop", "Stop", "improve", "search"]

MEMORY = 30
PROGRESS_EVERY = 25
SHARE_JOB_MOVES = 0.45
SHARE_ACTIVITY_MOVES = 0.35
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
        self.members: list[list[int]] = [[] for _ in problem.jobs]
        for i in prepared.topological:
            self.members[prepared.job[i]].append(i)
        self.jobs = [j for j, members in enumerate(self.members) if members]
        self.dates = self._decode(self.order, self.crews)
        self.cost = score(problem, self.dates).total if self.dates else float("inf")
        self.late = self._late_jobs()
        self.remembered = [self.cost] * MEMORY

    def step(self, iteration: int) -> Objective | None:
        """Try one change; return its cost if it was taken, else None."""
        order, crews = self._changed()
        dates = self._decode(order, crews)
        if dates is None:
            return None
        found = score(self.problem, dates)
        slot = iteration % MEMORY
        taken = found.total <= max(self.cost, self.remembered[slot])
        if taken:
            self.order, self.crews, self.dates, self.cost = order, crews, dates, found.total
            self.late = self._late_jobs()
        self.remembered[slot] = self.cost
        return found if taken else None

    def _decode(self, order: list[int], crews: dict[int, int]) -> Dates | None:
        try:
            return run_serial(self.prepared, order, crew_choice=crews)
        except HorizonExceeded:
            return None

    def _changed(self) -> tuple[list[int], dict[int, int]]:
        share = self.random.random()
        if share < SHARE_JOB_MOVES:
            return self._moved(self.members[self._pick_job()]), self.crews
        if share < SHARE_JOB_MOVES + SHARE_ACTIVITY_MOVES:
            return self._moved([self.random.choice(self.members[self._pick_job()])]), self.crews
        return self.order, self._other_crew(self._pick_job())

    def _pick_job(self) -> int:
        if self.late and self.random.random() < SHARE_LATE_FIRST:
            return self.random.choice(self.late)
        return self.random.choice(self.jobs)

    def _moved(self, activities: list[int]) -> list[int]:
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
