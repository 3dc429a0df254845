"""Thousands of runs of one plan, and what they say about each start and finish."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contractor.engine.compiled import Ints, kernel
from contractor.engine.prepared import Layout, prepare
from contractor.engine.problem import Problem
from contractor.engine.schedule import Schedule
from contractor.engine.simulate.chances import NO_CHANCES, Chances
from contractor.engine.simulate.course import Course, course_of
from contractor.engine.simulate.dispatch import Run, new_run, run_through
from contractor.engine.simulate.draw import Drawn, draw_days, new_drawn

__all__ = ["EARLY_DAYS", "Simulated", "merged", "simulate"]

EARLY_DAYS = 4
"""How many days before its planned start work may begin when its crew is free; our own."""
RUNS_AT_ONCE = 50


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
    layout = prepare(problem)
    starts = np.empty((runs, course.size), dtype=np.int32)
    finishes = np.empty((runs, course.size), dtype=np.int32)

    def some(begins: int) -> int:
        count = min(RUNS_AT_ONCE, runs - begins)
        rows = slice(begins, begins + count)
        _run_many(
            layout,
            course,
            new_drawn(course),
            new_run(course),
            seed,
            first_run + begins,
            starts[rows],
            finishes[rows],
        )
        return count

    made = 0
    with ThreadPoolExecutor(workers) as threads:
        for count in threads.map(some, range(0, runs, RUNS_AT_ONCE)):
            made += count
            if progress is not None:
                progress(made)
    return Simulated(first_run, _by_activity(starts), _by_activity(finishes))


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


def _by_activity(by_run: NDArray[np.int32]) -> NDArray[np.int32]:
    return np.ascontiguousarray(by_run.T)


@kernel
def _run_many(
    lay: Layout,
    course: Course,
    drawn: Drawn,
    run: Run,
    seed: int,
    first_run: int,
    starts: Ints,
    finishes: Ints,
) -> None:
    """Make the runs of the rows of `starts` and `finishes`, shape (runs, activities)."""
    beyond = course.axis_slots + 1
    days = course.likely_days
    for row in range(starts.shape[0]):
        draw_days(course, drawn, seed, first_run + row, days)
        run_through(lay, course, drawn, run)
        while days < course.days and not _ends_within(course, run, days):
            # Luck that was not drawn may have mattered: again, with more days.
            days = min(course.days, days + days // 8 + 1)
            draw_days(course, drawn, seed, first_run + row, days)
            run_through(lay, course, drawn, run)
        for i in range(course.size):
            done = run.finish[i] >= 0
            starts[row, course.original[i]] = run.start[i] if done else beyond
            finishes[row, course.original[i]] = run.finish[i] if done else beyond


@kernel
def _ends_within(course: Course, run: Run, days: int) -> bool:
    """Return whether everything that has a place ended before so many days of the axis did."""
    end = course.day_first[days]
    for i in range(course.size):
        if course.has_place[i] and not 0 <= run.finish[i] <= end:
            return False
    return True
