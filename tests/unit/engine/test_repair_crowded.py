"""A crew booked solid loses days: what follows comes as much later, nobody waits for long."""

from dataclasses import replace

from contractor.engine import planner
from contractor.engine.greedy import REPAIR
from contractor.engine.problem import Problem
from tests.reference.engine_problems import announced
from tests.unit.engine.builders import activity, problem

WORK = 40


def crowded(jobs: int = 20, *, slack: int = 20) -> Problem:
    """Return jobs told to one crew without a gap, each promised `slack` slots after its finish."""
    plain = problem([activity(f"a{n}", WORK, job=n) for n in range(jobs)])
    told = announced(plain, planner.plan(plain).schedule)
    promised = tuple(
        replace(told.jobs[row.job], due=row.announced.start + WORK + slack, weight=1.0)
        for row in told.activities
        if row.announced
    )
    return replace(told, jobs=promised)


def test_one_long_delay_moves_all_that_follows_by_it() -> None:
    told = crowded()
    first = min(range(20), key=lambda i: told.activities[i].announced.start)
    rows = list(told.activities)
    modes = tuple(replace(mode, work_slots=WORK + 8) for mode in rows[first].modes)
    rows[first] = replace(rows[first], modes=modes)
    late = replace(told, activities=tuple(rows))

    kept = planner.keep(late)
    repaired = planner.repair(late)

    moved_by_repair = [
        placed.start - row.announced.start
        for row, placed in zip(late.activities, repaired.schedule.placed, strict=True)
    ]
    moved = [
        placed.start - row.announced.start
        for row, placed in zip(late.activities, kept.schedule.placed, strict=True)
    ]
    assert max(moved_by_repair) > 15 * WORK, "the repair sends one to the end"
    assert kept.source != REPAIR
    assert sorted(moved) == [0] + [8] * 19


def test_a_gap_nearby_is_taken_and_nobody_else_moves() -> None:
    told = crowded(2, slack=1000)
    rows = list(told.activities)
    first, second = sorted(range(2), key=lambda i: rows[i].announced.start)
    rows[first] = replace(rows[first], release=rows[first].announced.start + 4)
    late = replace(told, activities=tuple(rows))

    kept = planner.keep(late)

    assert kept.source == REPAIR
    assert kept.schedule == planner.repair(late).schedule
    placed = kept.schedule.placed[second]
    assert placed is not None
    assert placed.start == rows[second].announced.start
