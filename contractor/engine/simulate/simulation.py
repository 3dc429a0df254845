"""Thousands of runs of one plan, and what they say about each start and finish."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from queue import SimpleQueue

import numpy as np
from numpy.typing import NDArray

from contractor.engine.compiled import Ints, kernel
from contractor.engine.problem import Problem
from contractor.engine.schedule import Schedule
from contractor.engine.simulate.chances import NO_CHANCES, Chances
from contractor.engine.simulate.course import Course, course_of
from contractor.engine.simulate.dispatch import Run, new_run, run_through
from contractor.engine.simulate.draw import Drawn, draw_days, new_drawn

__all__ = ["EARLY_DAYS", "Simulated", "merged", "simulate"]

EARLY_DAYS = 4
"""How many days before its planned start work may begin when its crew is free; our own."""
RUNS_AT_ONCE = 32


@dataclass(frozen=True, slots=True, eq=False)
class Simulated:
    """
    Runs `first_run` to `first_run + runs` of one plan.

    `starts` and `finishes` have a row by activity and a column by run, in slots; one that does not
    end on the axis, or has no place in the plan, has the axis's last slot plus one.
    """

    first_run: int
    starts: NDArray[np.int32]
    finishes: NDArray[np.int32]

    @property
    def runs(self) -> int:
        """Return how many runs there are."""
        return self.starts.shape[1]

    def of_activities(self, activities: Sequence[int]) -> tuple[NDArray[np.int32], ...]:
        """Return the first start and the last finish of some activities together, by run."""
        rows = list(activities)
        return self.starts[rows].min(axis=0), self.finishes[rows].max(axis=0)


def simulate(
    problem: Problem,
    schedule: Schedule,
    chances: Chances = NO_CHANCES,
    *,
    runs: int,
    seed: int = 0,
    first_run: int = 0,
    workers: int = 1,
    early_days: int = EARLY_DAYS,
    progress: Callable[[int], None] | None = None,
) -> Simulated:
    """
    Return `runs` runs of `schedule`, numbered from `first_run`.

    A run depends on the seed and its own number only, so any workers may make any of them. Raises
    ValueError for chances that do not fit the problem, and for no runs.
    """
    if runs < 1 or first_run < 0:
        raise ValueError(f"runs {runs}, first_run {first_run}: enter 1 or more, and 0 or more")
    course = course_of(problem, schedule, chances, early_days=early_days)
    starts = np.empty((course.size, runs), dtype=np.int32)
    finishes = np.empty((course.size, runs), dtype=np.int32)
    # How many days runs have needed so far; threads may overtake each other, no date depends on it.
    days = np.array([course.likely_days], dtype=np.int32)
    spare: SimpleQueue[tuple[Drawn, Run, Ints, Ints]] = SimpleQueue()
    for _ in range(workers):
        by_run = np.empty((2, RUNS_AT_ONCE * course.size), dtype=np.int32)
        spare.put((new_drawn(course), new_run(course), by_run[0], by_run[1]))

    def some(begins: int) -> int:
        count = min(RUNS_AT_ONCE, runs - begins)
        room = spare.get()
        _run_many(course, *room, days, seed, first_run + begins, count)
        for dates, to in zip(room[2:], (starts, finishes), strict=True):
            _by_activity(course, dates, to, begins, count)
        spare.put(room)
        return count

    made = 0
    with ThreadPoolExecutor(workers) as threads:
        for count in threads.map(some, range(0, runs, RUNS_AT_ONCE)):
            made += count
            if progress is not None:
                progress(made)
    return Simulated(first_run, starts, finishes)


def merged(parts: Sequence[Simulated]) -> Simulated:
    """Return runs made in parts as one. Raises ValueError for gaps or doubles."""
    rows = sorted(parts, key=lambda part: part.first_run)
    following = rows[0].first_run if rows else 0
    for part in rows:
        if part.first_run != following:
            raise ValueError(f"first_run {part.first_run}: run {following} was to come next")
        following += part.runs
    return Simulated(
        rows[0].first_run,
        np.concatenate([part.starts for part in rows], axis=1),
        np.concatenate([part.finishes for part in rows], axis=1),
    )


@kernel
def _run_many(
    course: Course,
    drawn: Drawn,
    run: Run,
    starts: Ints,
    finishes: Ints,
    needed: Ints,
    seed: int,
    first_run: int,
    runs: int,
) -> None:
    """Write the dates of each run one behind the other, those of a run as the course has them."""
    beyond = course.axis_slots + 1
    for row in range(runs):
        days = needed[0]
        draw_days(course, drawn, seed, first_run + row, days)
        run_through(course, drawn, run)
        while days < course.days and not _ends_within(course, run, days):
            # Luck that was not drawn may have mattered: again, with more days.
            days = min(course.days, days + days // 8 + 1)
            draw_days(course, drawn, seed, first_run + row, days)
            run_through(course, drawn, run)
        needed[0] = max(needed[0], days)
        for i in range(course.size):
            done = run.finish[i] >= 0
            starts[row * course.size + i] = run.start[i] if done else beyond
            finishes[row * course.size + i] = run.finish[i] if done else beyond


@kernel
def _by_activity(
    course: Course, by_run: Ints, dates: NDArray[np.int32], first_run: int, runs: int
) -> None:
    """Write runs into their columns of `dates`, shape (activities, runs)."""
    for i in range(course.size):
        row = course.original[i]
        for run in range(runs):
            dates[row, first_run + run] = by_run[run * course.size + i]


@kernel
def _ends_within(course: Course, run: Run, days: int) -> bool:
    """Return whether everything that has a place ended before so many days of the axis did."""
    return run.ended[0] == course.places and run.ended[1] <= course.day_first[days]
