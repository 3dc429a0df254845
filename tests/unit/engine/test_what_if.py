"""What one change does to a plan, on problems small enough to count by hand."""

import random
from dataclasses import replace

import pytest

from contractor.engine.check import check
from contractor.engine.planner import plan
from contractor.engine.problem import Announced, Job, Link, Problem
from contractor.engine.what_if import ORDER_KEPT, what_if
from contractor.engine.worktime import SLOTS_PER_DAY
from tests.unit.engine.builders import activity, by_crew, day_shifts, place, problem, spans, wait_of

DAY = SLOTS_PER_DAY


def two_jobs(*, work: int = 4 * DAY, release: int = 0, **more: object) -> Problem:
    """Return two jobs on one crew: the first long, the second due in two days."""
    rows = [activity("a", work, release=release), activity("b", DAY, job=1)]
    more.setdefault("jobs", (Job("j0"), Job("j1", due=2 * DAY)))
    return problem(rows, **more)


def test_without_a_change_both_plans_are_the_same():
    whole = two_jobs()

    answer = what_if(whole, whole, order=[0, 1], crews={0: 0, 1: 0})

    assert answer.as_is == answer.changed


def test_less_work_shows_in_the_changed_plan_alone():
    answer = what_if(two_jobs(), two_jobs(work=DAY), order=[1, 0], crews={})

    assert spans(answer.as_is.schedule) == [(DAY, 5 * DAY), (0, DAY)]
    assert spans(answer.changed.schedule) == [(DAY, 2 * DAY), (0, DAY)]


def test_the_order_at_hand_stays_where_nothing_is_cheaper():
    answer = what_if(two_jobs(), two_jobs(work=DAY), order=[1, 0], crews={})

    assert (answer.as_is.source, answer.changed.source) == (ORDER_KEPT, ORDER_KEPT)


def test_a_bad_order_at_hand_gives_way_to_a_new_plan():
    """The order at hand would break the promise by three days."""
    answer = what_if(two_jobs(), two_jobs(), order=[0, 1], crews={})

    assert answer.as_is.source != ORDER_KEPT
    assert answer.as_is.objective.late_jobs == 0


def test_a_dropped_promise_frees_the_job_to_come_later():
    jobs = (Job("j0", due=4 * DAY), Job("j1", due=DAY))
    kept = two_jobs(jobs=jobs)
    dropped = two_jobs(jobs=(jobs[0], Job("j1")))

    answer = what_if(kept, dropped, order=[1, 0], crews={})

    assert answer.as_is.objective.late_jobs == 1
    assert answer.changed.objective.late_jobs == 0


def random_jobs(seed: int) -> Problem:
    """Return six jobs of three activities each for three crews that work by day."""
    draw = random.Random(seed)
    rows = [
        activity(f"a{i}", draw.randint(10, 90), crews=draw.sample(range(3), 2), job=i // 3)
        for i in range(18)
    ]
    links = [Link(i, i + 1, wait=draw.choice([None, 0])) for i in range(17) if i % 3 < 2]
    jobs = tuple(Job(f"j{i}", due=draw.randint(2, 12) * DAY) for i in range(6))
    return problem(
        rows, links, crews=3, jobs=jobs, calendars=(day_shifts(),), waits=(wait_of(150),)
    )


@pytest.mark.parametrize("seed", range(8))
def test_neither_plan_is_worse_than_the_best_first_plan_of_its_problem(seed: int):
    as_is = random_jobs(seed)
    later = replace(as_is.activities[0], release=3 * DAY)
    changed = replace(as_is, activities=(later, *as_is.activities[1:]))

    answer = what_if(as_is, changed, order=list(range(18)), crews={})

    assert answer.as_is.objective.total <= plan(as_is).objective.total
    assert answer.changed.objective.total <= plan(changed).objective.total


def test_what_people_were_told_stays_where_it_is_cheaper():
    """Taken in order alone it would begin five days sooner than told, and that has a price."""
    whole = problem([activity("a", announced=Announced(0, 5 * DAY))])

    answer = what_if(whole, whole, order=[0], crews={0: 0})

    assert place(answer.as_is.schedule, 0).start == 5 * DAY


def test_both_plans_keep_every_rule():
    rows = [activity(f"a{i}", 30 + 7 * i, crews=[0, 1], job=i // 2) for i in range(8)]
    whole = problem(rows, [Link(i, i + 1) for i in (0, 2, 4, 6)], crews=2)
    shorter = replace(whole, activities=(replace(rows[0], modes=by_crew(5, 0)), *rows[1:]))

    answer = what_if(whole, shorter, order=list(range(8)), crews={i: i % 2 for i in range(8)})

    assert check(whole, answer.as_is.schedule) == ()
    assert check(shorter, answer.changed.schedule) == ()


def test_crews_at_hand_are_kept():
    rows = [activity("a", crews=[0, 1])]
    whole = problem(rows, crews=2)

    answer = what_if(whole, whole, order=[0], crews={0: 1})

    assert answer.as_is.source == ORDER_KEPT
    assert place(answer.as_is.schedule, 0).mode == 1


def test_what_only_the_changed_problem_has_is_placed_too():
    as_is = problem([activity("b")])
    changed = problem([activity("a"), activity("b")])

    answer = what_if(as_is, changed, order=[0], crews={0: 0})

    assert all(placed is not None for placed in answer.changed.schedule.placed)


@pytest.mark.parametrize("order", [[0], [0, 0], [0, 1, 2]])
def test_an_order_that_is_none_is_refused(order: list[int]):
    whole = two_jobs()

    with pytest.raises(ValueError, match="order: must name each of 2 activities once"):
        what_if(whole, whole, order=order, crews={})
