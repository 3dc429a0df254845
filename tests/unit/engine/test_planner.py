from itertools import permutations

import numpy as np
import pytest

from contractor.engine.bound import lower_bound
from contractor.engine.check import check
from contractor.engine.dates import dates_of
from contractor.engine.decode import to_schedule
from contractor.engine.greedy import RIGHT_SHIFT, candidates
from contractor.engine.improve import AnyStop, CancelStop, IterationStop, SecondsStop
from contractor.engine.objective import objective
from contractor.engine.occupancy import new_state
from contractor.engine.passes import pass_exactly
from contractor.engine.planner import EXACT, IMPROVED, PROJECT, plan
from contractor.engine.prepared import prepare
from contractor.engine.problem import Announced, Job, Link, Mode, Pin, Resource, Window
from contractor.engine.worktime import HorizonExceeded
from tests.processes import PATIENCE_SECONDS
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

    found = plan(whole, stop=IterationStop(300), seed=1)

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


def test_the_same_seed_and_iterations_give_the_same_plan_and_another_may_not():
    whole = crowded()

    first, second = (plan(whole, stop=IterationStop(100), seed=4, workers=2) for _ in range(2))

    assert first.schedule == second.schedule
    assert first.objective == second.objective


def test_a_cancelled_plan_is_the_best_first_plan():
    whole = crowded()

    found = plan(whole, stop=AnyStop((CancelStop(lambda: True), IterationStop(10_000))))

    assert found.iterations == 0
    assert found.schedule == plan(whole).schedule


def small_but_tight():
    """Return four jobs on one crew, of which no rule keeps the dearest promises at once."""
    works, due, weight = (90, 60, 150, 40), (96, 96, 192, 288), (1.0, 2.0, 5.0, 1.0)
    rows = [activity(f"a{i}", work=work, job=i) for i, work in enumerate(works)]
    jobs = tuple(Job(f"j{i}", due=due[i], weight=weight[i]) for i in range(4))
    return problem(rows, jobs=jobs)


def least_of_all_orders(whole):
    """Return the least cost of the jobs done one behind the other, in any order."""
    works = [row.modes[0].work_slots for row in whole.activities]
    totals = []
    for order in permutations(range(len(works))):
        end, total = 0, 0.0
        for i in order:
            job, end = whole.jobs[i], end + works[i]
            total += 1000 * job.weight * max(0, -((job.due - end) // 96)) + end / 96
            total += 4 * (works[i] // 96)
        totals.append(total)
    return min(totals)


def test_an_exact_finish_proves_the_least_cost_without_a_search():
    whole = small_but_tight()

    found = plan(whole, stop=IterationStop(0), exact_seconds=PATIENCE_SECONDS)

    assert found.objective.total == pytest.approx(least_of_all_orders(whole))
    assert found.optimal
    assert found.bound is not None
    assert found.bound.total == pytest.approx(found.objective.total)
    assert found.objective == objective(whole, found.schedule)
    assert check(whole, found.schedule) == ()


def test_an_exact_finish_says_so_where_it_found_the_plan():
    whole = crowded()
    first = plan(whole)

    found = plan(whole, stop=IterationStop(0), exact_seconds=PATIENCE_SECONDS)

    assert found.objective.total < first.objective.total
    assert (found.source, found.iterations) == (EXACT, 0)
    assert check(whole, found.schedule) == ()


@pytest.mark.parametrize(
    ("rows", "more", "modes", "starts"),
    [
        # The one that found its window taken stays without a place.
        ([activity("a", windows=(Window(0, 4),)), activity("b")], {}, [-1, 0], [0, 0]),
        # A pin is kept in a way that ends later, as the other machine may be needed elsewhere.
        (
            [activity("a", modes=(Mode(0, 4, 0), Mode(0, 8, 0, (1,))), pin=Pin(0, 10))],
            {"crews": 2},
            [1],
            [10],
        ),
        # What is frozen may begin a little earlier for nothing, or go to another crew at a price.
        ([activity("a", announced=Announced(0, 10))], {"freeze_until": 50}, [0], [5]),
        (
            [activity("a", crews=[0, 1], announced=Announced(0, 10))],
            {"freeze_until": 50, "crews": 2},
            [1],
            [10],
        ),
        # A pin that is given up need not be given up for something later, or another start.
        ([activity("a", pin=Pin(0, 10))], {}, [0], [5]),
        ([activity("a", crews=[0, 1], pin=Pin(0, 10))], {"crews": 2}, [1], [10]),
    ],
    ids=[
        "no place",
        "pin in another mode",
        "frozen earlier",
        "frozen on another crew",
        "pin given up earlier",
        "pin given up for another crew",
    ],
)
def test_sound_dates_that_an_exact_finish_may_give_are_made_exactly(rows, more, modes, starts):
    whole = problem(rows, **more)
    layout = prepare(whole)
    state = new_state(layout)

    pass_exactly(layout, state, np.array(modes, dtype=np.int32), np.array(starts, dtype=np.int32))

    assert (state.mode.tolist(), state.start.tolist()) == (modes, starts)
    assert check(whole, to_schedule(whole, dates_of(layout, state))) == ()


def test_seconds_that_are_left_go_to_the_exact_finish():
    found = plan(small_but_tight(), stop=SecondsStop(10), seed=1)

    assert found.optimal


def test_without_seconds_for_it_nothing_is_finished_exactly():
    found = plan(crowded(), stop=IterationStop(50))

    assert found.source != EXACT
    assert not found.optimal


def test_a_single_project_without_choices_is_planned_as_one_and_proven():
    machine = Resource("m", "Machine", capacity=2)
    works = (5, 3, 4, 2, 6, 3, 2, 7)
    rows = [
        activity(f"a{i}", modes=(Mode(None, work, 0, (0,) * (1 + i % 2)),), release=20)
        for i, work in enumerate(works)
    ]
    whole = problem(rows, [(0, 3), (1, 4), (2, 5), (3, 6), (4, 7)], resources=(machine,), now=10)

    found = plan(whole, stop=IterationStop(5000))

    ends = [placed.finish for placed in found.schedule.placed if placed]
    # The units of all work, 5+6+4+4+6+6+2+14 = 47, take 24 slots of a machine of two at least.
    assert max(ends) >= 20 + 24
    assert found.optimal
    assert found.bound is not None
    assert found.bound.total == pytest.approx(found.objective.total)
    assert check(whole, found.schedule) == ()


def test_a_project_that_no_rule_makes_shortest_is_shortened():
    machine = Resource("m", "Machine", capacity=5)
    other = Resource("n", "Other machine", capacity=3)
    rows = [
        activity(
            f"a{i}",
            modes=(Mode(None, 1 + 7 * i % 9, 0, (0,) * (1 + 3 * i % 4) + (1,) * (5 * i % 3)),),
        )
        for i in range(24)
    ]
    links = [(i - 5, i) for i in range(5, 24) if i % 3] + [(i - 3, i) for i in range(3, 24, 4)]
    whole = problem(rows, links, resources=(machine, other))

    first, found = plan(whole), plan(whole, stop=IterationStop(5000), seed=1)

    assert found.objective.total < first.objective.total
    assert found.source == PROJECT
    assert found.objective == objective(whole, found.schedule)
    assert check(whole, found.schedule) == ()
