import pytest

from contractor.engine.bound import lower_bound
from contractor.engine.check import check
from contractor.engine.greedy import RIGHT_SHIFT, candidates
from contractor.engine.improve import IterationStop
from contractor.engine.planner import IMPROVED, plan
from contractor.engine.problem import Announced, Job, Link, Window
from contractor.engine.worktime import HorizonExceeded
from tests.unit.engine.builders import AXIS, activity, problem, spans, wait_of


def crowded(**more):
    rows = [activity(f"a{i}", work=50 + 17 * (i * 5 % 7), job=i, crews=[0, 1]) for i in range(9)]
    jobs = tuple(Job(f"j{i}", due=96 + 40 * (i * 4 % 9), weight=1 + i % 3) for i in range(9))
    return problem(rows, jobs=jobs, crews=2, **more)


def test_without_a_stop_the_best_first_plan_is_returned():
    whole = crowded()

    found = plan(whole)

    assert found.objective.total == min(c.objective.total for c in candidates(whole))
    assert (found.iterations, check(whole, found.schedule)) == (0, ())


def test_with_a_stop_the_plan_gets_better_and_says_so():
    whole = crowded()

    found = plan(whole, stop=IterationStop(300), seed=2)

    assert found.source == IMPROVED
    assert found.objective.total < plan(whole).objective.total
    assert check(whole, found.schedule) == ()


def test_a_plan_that_costs_its_bound_is_proven_optimal_and_not_searched_further():
    found = plan(problem([activity("a")], jobs=(Job("j", due=96),)), stop=IterationStop(50))

    assert (found.optimal, found.iterations) == (True, 0)


def test_a_plan_above_its_bound_is_not_called_optimal():
    found = plan(crowded())

    assert found.bound is not None
    assert found.bound.total < found.objective.total
    assert not found.optimal


def test_a_plan_with_something_unplanned_shows_no_bound():
    found = plan(problem([activity("a", modes=())]))

    assert (found.bound, found.optimal, len(found.schedule.unplanned)) == (None, False, 1)


def test_the_announced_plan_stays_where_moving_it_gains_nothing():
    rows = [activity("a", announced=Announced(0, 96 * 3, weight=50.0))]

    found = plan(problem(rows), stop=IterationStop(20))

    assert (found.source, spans(found.schedule)) == (RIGHT_SHIFT, [(288, 292)])


def test_an_axis_too_short_raises_horizon_exceeded():
    with pytest.raises(HorizonExceeded):
        plan(problem([activity("a", work=AXIS.slots + 1)]))


def test_the_bound_counts_waits_and_windows_but_no_contention():
    rows = [
        activity("a", work=96, job=0),
        activity("b", work=96, job=0, windows=(Window(500, 700),)),
        activity("c", work=96, job=1),
    ]
    jobs = (Job("j0", due=96, weight=2.0), Job("j1", due=96))

    bound = lower_bound(problem(rows, [Link(0, 1, wait=0)], jobs=jobs, waits=(wait_of(300),)))

    # The window opens at 500, so job 0 ends at 596: 500 slots after its due day, 6 days.
    assert bound.late_weighted_days == 12.0
    assert bound.finish_days == pytest.approx((596 + 96) / 96)
