"""Exact answers part by part, on problems with more in them than is answered whole."""

from dataclasses import replace

import pytest

from contractor.engine.check import check
from contractor.engine.exact import NO_MODE, Incumbent, finish, worth_it
from contractor.engine.exact_parts import MOST_SHARE, improve_parts, share_of
from contractor.engine.exact_places import Reach
from contractor.engine.planner import PARTS, plan
from contractor.engine.problem import Job, Problem
from contractor.engine.stops import IterationStop, SecondsStop
from tests.unit.engine.builders import activity, problem

DAY = 96
JOBS = 45


def queue(**more: object) -> Problem:
    """Return jobs of a day each for one crew, promised in the order in which they are listed."""
    rows = [activity(f"a{j}", DAY // 2, job=j) for j in range(JOBS)]
    jobs = tuple(Job(f"j{j}", due=(j + 2) // 2 * DAY) for j in range(JOBS))
    return replace(problem(rows, jobs=jobs), **more)  # type: ignore[arg-type]


def swapped(whole: Problem) -> Incumbent:
    """Return a plan in which every second pair of jobs stands in for the pair before it."""
    place = [j ^ 2 if (j ^ 2) < JOBS - 1 else j for j in range(JOBS)]
    starts = [k * DAY // 2 for k in place]
    late = (
        max(0, -(-(start + DAY // 2 - job.due) // DAY))
        for start, job in zip(starts, whole.jobs, strict=True)
    )
    total = 1000 * sum(late) + JOBS * (JOBS + 1) / 4
    return Incumbent([0] * JOBS, starts, [s + DAY // 2 for s in starts], total)


def test_late_jobs_change_places_with_those_that_have_time():
    whole = queue()
    before = swapped(whole)

    found = improve_parts(whole, before, left=SecondsStop(20).left, seed=1, cancelled=_after(12))

    assert found.total < before.total - 10_000
    assert sorted(found.starts) == sorted(before.starts)


def _after(times: int):
    """Return what says so from the `times`th question about a part on."""
    asked = iter(range(10**9))
    return lambda: next(asked) > 20 * times


def test_who_cancels_gets_what_there_was():
    whole = queue()

    assert improve_parts(
        whole, swapped(whole), left=SecondsStop(20).left, cancelled=lambda: True
    ) == swapped(whole)


def test_what_is_under_way_or_has_no_place_stays():
    whole = queue()
    rows = list(whole.activities)
    rows[2] = replace(rows[2], under_way=True)
    rows[5] = replace(rows[5], modes=(), no_mode_why="nobody can")
    whole = replace(whole, activities=tuple(rows))
    before = swapped(whole)
    before = replace(before, modes=[NO_MODE if i == 5 else 0 for i in range(JOBS)])

    found = improve_parts(whole, before, left=SecondsStop(20).left, seed=1, cancelled=_after(4))

    assert found.starts[2] == before.starts[2]
    assert found.modes[5] == NO_MODE


def test_within_reach_nothing_moves_further_and_nothing_is_proven():
    whole = queue()
    before = swapped(whole)
    free = range(8)

    found = finish(whole, before, free=free, reach=Reach(DAY, DAY // 2), seconds=20)

    assert found.total < before.total
    assert not found.proven
    assert all(abs(found.starts[i] - before.starts[i]) <= DAY for i in free)
    assert found.starts[8:] == before.starts[8:]


def test_parts_have_a_share_that_grows_with_the_seconds():
    whole = queue()

    shares = [share_of(whole, seconds) for seconds in (0, 0.1, 5, 1000)]

    assert shares[:2] == [0, 0]
    assert shares == sorted(shares)
    assert shares[-1] == MOST_SHARE


def test_a_plan_too_large_for_one_answer_is_improved_by_parts():
    rows = [activity(f"a{j}", 30 + 7 * (j % 5), job=j, release=20 * (j // 3)) for j in range(JOBS)]
    jobs = tuple(
        Job(f"j{j}", due=DAY * (1 + (7 * j) % 11), weight=1.0 + j % 4) for j in range(JOBS)
    )
    whole = problem(rows, jobs=jobs)
    assert not worth_it(whole)
    first = plan(whole)

    # More seconds on a busy computer: what they are too few for is not what is looked at.
    tries = (plan(whole, stop=IterationStop(0), exact_seconds=s) for s in (4, 16, 64, 256))
    found = next(one for one in tries if one.objective.total < first.objective.total)

    assert found.source == PARTS
    assert not found.optimal
    assert found.bound is not None
    assert found.bound.total <= found.objective.total
    assert check(whole, found.schedule) == ()


def test_an_incumbent_that_breaks_a_rule_is_refused():
    whole = queue()
    broken = replace(swapped(whole), finishes=[1] * JOBS)

    with pytest.raises(ValueError, match="breaks a rule"):
        improve_parts(whole, broken, left=SecondsStop(5).left)
