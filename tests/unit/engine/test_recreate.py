"""Steps of the search: what is not taken leaves no trace, and prices are kept in step."""

from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from contractor.engine.check import check
from contractor.engine.dates import dates_of
from contractor.engine.decode import to_schedule
from contractor.engine.objective import objective
from contractor.engine.occupancy import new_state
from contractor.engine.passes import pass_exactly, pass_into, positions
from contractor.engine.placing import Pass
from contractor.engine.prepared import LEADS_TO_FIXED, Layout, prepare
from contractor.engine.pricing import price_of_all, price_of_job
from contractor.engine.problem import Announced, Job, Link, Pin, Problem
from contractor.engine.recreate import _step, step_many
from contractor.engine.state import UNPLANNED, State
from contractor.engine.walk import Walk, new_walk
from tests.property.engine_strategies import problems
from tests.unit.engine.builders import activity, problem

RELAXED = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
NEVER = -1e18
"""What a step may make worse, where none is to be taken."""


@dataclass(frozen=True)
class Search:
    """A walk that stands at a plan."""

    problem: Problem
    layout: Layout = field(repr=False)
    state: State = field(repr=False)
    walk: Walk = field(repr=False)
    how: Pass = field(repr=False)

    def steps(self, count: int, temperature: float) -> None:
        """Take so many steps."""
        step_many(self.layout, self.state, self.how, self.walk, count, temperature)

    def step(self, allowed: float) -> float:
        """Try one step that may make the plan worse by `allowed`; return the change."""
        return float(_step(self.layout, self.state, self.how, self.walk, allowed))


def begin(whole: Problem, order: list[int], seed: int) -> Search:
    """Return a search that begins at the plan which one pass in `order` makes."""
    layout = prepare(whole)
    made, state = new_state(layout), new_state(layout)
    pass_into(layout, made, positions(order, layout.size))
    pass_exactly(layout, state, made.mode, made.start)
    state.not_before[:] = 0
    how = Pass(layout.change_crew_slots, False, False, True, False)
    return Search(whole, layout, state, new_walk(layout, state, seed), how)


@st.composite
def searches(draw: st.DrawFn) -> Search:
    whole = draw(problems())
    order = draw(st.permutations(range(len(whole.activities))))
    return begin(whole, order, draw(st.integers(0, 2**40)))


def what_stands(search: Search) -> dict[str, object]:
    """Return all that makes the plan, by name; choices are made anew in every step."""
    state = search.state
    kept = (
        *("mode", "crew", "start", "finish", "held_for", "held_by", "pin_broken", "begins_by_job"),
        *("blocker_resource", "blocker_holder", "blocker_slot", "not_before"),
        *("words", "holder", "load"),
    )
    plan: dict[str, object] = {name: getattr(state, name).tolist() for name in kept}
    rows = state.job_crews.reshape(search.layout.jobs, state.crew_width)
    counts = state.job_crew_count.tolist()
    plan["job_crews"] = [set(row[:n].tolist()) for row, n in zip(rows, counts, strict=True)]
    plan["price"] = search.walk.price.tolist()
    plan["total"] = search.walk.total.tolist()
    plan["is_chosen"] = search.walk.is_chosen.tolist()
    return plan


def occupied_anew(search: Search) -> tuple[list[int], ...]:
    """Return what would be occupied if the plan as it stands were written down from the start."""
    fresh = new_state(search.layout)
    pass_exactly(search.layout, fresh, search.state.mode, search.state.start)
    return fresh.words.tolist(), fresh.holder.tolist(), fresh.load.tolist()


@RELAXED
@given(searches(), st.lists(st.sampled_from([NEVER, 0.0, 2000.0]), min_size=5, max_size=40))
def test_a_step_that_is_not_taken_leaves_all_as_it_was(search, allowances):
    for allowed in allowances:
        before = what_stands(search)

        change = search.step(allowed)

        if change == np.inf:
            assert what_stands(search) == before
        else:
            assert change <= allowed


@RELAXED
@given(searches(), st.integers(1, 60), st.sampled_from([0.0, 50.0, 5000.0]))
def test_after_many_steps_the_total_is_what_the_plan_costs(search, steps, temperature):
    search.steps(steps, temperature)

    schedule = to_schedule(search.problem, dates_of(search.layout, search.state))
    assert search.walk.total[0] == pytest.approx(price_of_all(search.layout, search.state))
    assert search.walk.total[0] == pytest.approx(objective(search.problem, schedule).total)
    for job in range(search.layout.jobs):
        assert search.walk.price[job] == price_of_job(search.layout, search.state, job)


@RELAXED
@given(searches(), st.integers(1, 60), st.sampled_from([0.0, 5000.0]))
def test_after_many_steps_the_plan_is_sound(search, steps, temperature):
    search.steps(steps, temperature)

    schedule = to_schedule(search.problem, dates_of(search.layout, search.state))
    assert [v for v in check(search.problem, schedule) if v.rule not in ("because", "flow")] == []


@RELAXED
@given(searches(), st.integers(1, 60))
def test_after_many_steps_just_the_slots_of_what_is_placed_are_occupied(search, steps):
    assume(UNPLANNED not in search.state.mode)

    search.steps(steps, 5000.0)

    state = search.state
    now = (state.words.tolist(), state.holder.tolist(), state.load.tolist())
    assert now == occupied_anew(search)


@RELAXED
@given(searches(), st.integers(1, 60))
def test_the_best_plan_is_kept_with_its_total(search, steps):
    first = search.walk.total[0]

    search.steps(steps, 5000.0)

    layout, walk = search.layout, search.walk
    again = new_state(layout)
    pass_exactly(layout, again, walk.best_mode, walk.best_start)
    # Less than a hair's breadth is no gain: the same prices, added up in another order.
    assert walk.total[1] <= min(first, walk.total[0] + 1e-6)
    assert price_of_all(layout, again) == pytest.approx(walk.total[1])


@RELAXED
@given(searches(), st.integers(1, 40))
def test_what_is_fixed_is_not_touched(search, steps):
    fixed = np.flatnonzero(search.layout.rank < LEADS_TO_FIXED)
    before = [search.state.start[fixed].tolist(), search.state.mode[fixed].tolist()]

    search.steps(steps, 5000.0)

    assert [search.state.start[fixed].tolist(), search.state.mode[fixed].tolist()] == before


def test_without_heat_the_total_never_rises():
    search = begin(crowded(), list(range(8)), seed=1)
    totals = []
    for _ in range(50):
        search.steps(1, 0.0)
        totals.append(float(search.walk.total[0]))

    assert totals == sorted(totals, reverse=True)
    assert totals[-1] < totals[0]


def test_with_heat_it_rises_at_times_and_the_best_is_remembered():
    search = begin(crowded(), list(range(8)), seed=1)
    totals = []
    for _ in range(50):
        search.steps(1, 5000.0)
        totals.append(float(search.walk.total[0]))

    assert totals != sorted(totals, reverse=True)
    assert search.walk.total[1] == min(totals)


def test_a_step_takes_out_the_followers_in_other_jobs_too():
    # Whatever is taken out, the link from one job to the other holds afterwards.
    rows = [activity("a", work=20), activity("b", work=30, job=1), activity("c", job=2)]
    search = begin(problem(rows, [(0, 1)]), [2, 0, 1], seed=5)

    for _ in range(30):
        search.steps(1, 1e9)
        assert search.state.start[1] >= search.state.finish[0]


def test_what_leads_to_a_pin_and_to_open_work_is_where_it_was_when_no_step_is_taken():
    rows = [
        activity("lead", work=8),
        activity("pinned", work=8, pin=Pin(0, 400)),
        activity("open", work=8, crews=[1]),
    ]
    whole = problem(rows, [(0, 1), (0, 2)], crews=2, float_slots=0)
    search = begin(whole, [0, 1, 2], seed=7)

    before = what_stands(search)
    for _ in range(60):
        assert search.step(NEVER) == np.inf
        assert what_stands(search) == before


def test_where_nothing_is_open_no_step_is_taken():
    rows = [activity("a", pin=Pin(0, 10)), activity("b", under_way=True)]
    search = begin(problem(rows), [0, 1], seed=1)
    before = what_stands(search)

    search.steps(20, 1e9)

    assert what_stands(search) == before


def test_an_activity_that_nobody_can_do_stays_unplanned_and_is_priced():
    rows = [activity("a"), activity("b", modes=()), activity("c", job=1)]
    search = begin(problem(rows, [(0, 1)]), [0, 1, 2], seed=1)

    search.steps(40, 100.0)

    assert search.state.mode.tolist() == [0, UNPLANNED, 0]
    assert search.state.held_by[1] == 1
    assert search.walk.total[0] > 1_000_000


@pytest.mark.parametrize("seed", [0, 1, 2**64 - 1, 2**70])
def test_any_seed_moves_the_walk(seed):
    search = begin(crowded(), list(range(8)), seed=seed)
    drawn = int(search.walk.seed[0])

    search.steps(5, 100.0)

    assert search.walk.seed[0] not in (0, drawn)


def test_the_same_seed_walks_the_same_way():
    one, other, third = (begin(crowded(), list(range(8)), seed) for seed in (4, 4, 5))
    for search in (one, other, third):
        search.steps(30, 500.0)

    assert what_stands(one) == what_stands(other)
    assert one.state.start.tolist() != third.state.start.tolist()


def test_what_was_told_has_its_price_in_the_walk():
    rows = [activity("a", announced=Announced(0, 5 * 96)), activity("b", job=1)]
    whole = problem(rows, jobs=(Job("a"), Job("b", visit_price=25.0)))
    search = begin(whole, [0, 1], seed=1)

    # Five days earlier than told at 20 each, a day and a day's visit, and the way to the finish.
    assert search.walk.price.tolist() == pytest.approx([5 * 20 + 4 / 96, 25 + 8 / 96])


def test_a_link_that_should_not_hold_long_has_its_price_in_the_walk():
    rows = [activity("a"), activity("b", release=4 + 96 + 1)]
    whole = problem(rows, [Link(0, 1, longest_slots=0)], float_slots=4000)
    search = begin(whole, [0, 1], seed=1)

    # 97 slots too long are two days at 10; the site stands open for a day at 4.
    assert search.walk.price[0] == pytest.approx(2 * 10 + 4 + 105 / 96)


def crowded() -> Problem:
    """Return eight jobs on one crew whose promises reward another order than the given one."""
    rows = [activity(f"a{i}", work=96, job=i) for i in range(8)]
    return problem(rows, jobs=tuple(Job(f"j{i}", due=96 * (8 - i)) for i in range(8)))
