"""Whatever the problem: nobody in two places, nothing early, nothing outside working time."""

from dataclasses import replace
from itertools import groupby, pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from contractor.engine.bound import lower_bound
from contractor.engine.check import check
from contractor.engine.decode import Bind, decode, to_schedule
from contractor.engine.explain import chain
from contractor.engine.fit import FITS, first_fit, last_fit
from contractor.engine.greedy import RIGHT_SHIFT, announced_crews, candidates, greedy
from contractor.engine.improve import IterationStop, search
from contractor.engine.objective import objective
from contractor.engine.occupancy import new_state
from contractor.engine.passes import pass_exactly, pass_into, positions, run_serial
from contractor.engine.planner import plan
from contractor.engine.prepared import NONE, prepare
from contractor.engine.problem import (
    Activity,
    Job,
    Mode,
    Problem,
    Window,
)
from tests.property.engine_strategies import (
    AXIS,
    CALENDARS,
    CREWS,
    RELAXED,
    orders,
    problems,
    stretches,
)
from tests.unit.engine.builders import run_staffed


def test_work_of_no_time_under_way_as_its_window_closes_is_sound():
    row = Activity(
        "a", 0, (Mode(None, 0, 0),), windows=(Window(0, 1), Window(1000, 3000)), under_way=True
    )
    whole = Problem(
        axis=AXIS,
        now=1,
        calendars=CALENDARS,
        resources=(),
        activities=(row,),
        links=(),
        waits=(),
        jobs=(Job("j"),),
    )

    assert check(whole, decode(whole, [0])) == ()


@RELAXED
@given(problems(), st.data())
def test_the_independent_check_finds_nothing_in_any_order(problem, data):
    schedule = decode(problem, data.draw(orders(problem)))

    assert check(problem, schedule) == ()


@RELAXED
@given(problems(), st.data())
def test_the_check_finds_nothing_when_everything_is_pushed_right(problem, data):
    schedule = decode(
        problem, data.draw(orders(problem)), crew_choice=announced_crews(problem), right_shift=True
    )

    assert check(problem, schedule) == ()


@RELAXED
@given(problems())
def test_no_crew_with_one_unit_is_in_two_places(problem):
    schedule = decode(problem, range(len(problem.activities)))

    for crew, resource in enumerate(problem.resources[:CREWS]):
        if resource.capacity == 1:
            worked = sorted(stretches(problem, schedule, crew))
            assert all(a[1] <= b[0] for a, b in pairwise(worked))


@RELAXED
@given(problems(), st.data())
def test_every_activity_is_placed_or_unplanned_with_a_reason(problem, data):
    schedule = decode(problem, data.draw(orders(problem)))

    unplanned = {entry.activity for entry in schedule.unplanned if entry.reason}
    placed = {entry.activity for entry in schedule.placed if entry}
    assert placed | unplanned == set(range(len(problem.activities)))
    assert not placed & unplanned


@RELAXED
@given(problems(), st.data())
def test_the_same_order_gives_the_same_schedule(problem, data):
    order = data.draw(orders(problem))

    # A copy is prepared afresh, so nothing can be carried over from the first pass.
    assert decode(replace(problem), order) == decode(problem, order)


@RELAXED
@given(problems(), st.data())
def test_no_start_lies_before_any_of_its_bounds(problem, data):
    schedule = decode(problem, data.draw(orders(problem)))

    for placed in filter(None, schedule.placed):
        assert placed.because.slot <= placed.start
        assert all(bound.slot <= placed.start for bound in placed.bounds)


@RELAXED
@given(problems(), st.data())
def test_every_chain_ends_where_no_activity_binds_or_one_was_held_back(problem, data):
    schedule = decode(problem, data.draw(orders(problem)))

    for placed in filter(None, schedule.placed):
        steps = chain(problem, schedule, placed.activity)
        assert steps[0].activity == placed.activity
        last = steps[-1].because
        assert last.activity is None or last.kind is Bind.FLOW
        assert all(step.because.kind is not Bind.FLOW for step in steps[:-1])


@RELAXED
@given(problems(), st.integers(0, 5))
def test_improving_never_makes_a_plan_worse_or_unsound(problem, seed):
    start = decode(problem, range(len(problem.activities)))

    found = search(problem, start, stop=IterationStop(15), seed=seed)

    assert found.objective.total <= objective(problem, start).total
    assert found.objective == objective(problem, found.schedule)
    assert check(problem, found.schedule) == ()


@RELAXED
@given(problems())
def test_the_plan_is_no_worse_than_any_candidate_and_no_better_than_its_bound(problem):
    found = plan(problem, stop=IterationStop(10))

    assert check(problem, found.schedule) == ()
    assert found.objective == objective(problem, found.schedule)
    assert all(found.objective.total <= c.objective.total for c in candidates(problem))
    if found.bound:
        assert found.objective.total >= found.bound.total
        assert found.objective.late_weighted_days >= found.bound.late_weighted_days


@RELAXED
@given(problems(), st.data())
def test_no_order_undercuts_the_bound(problem, data):
    schedule = decode(problem, data.draw(orders(problem)))
    assume(not schedule.unplanned)

    assert (
        objective(problem, schedule).late_weighted_days >= lower_bound(problem).late_weighted_days
    )


@RELAXED
@given(problems())
def test_every_candidate_is_sound(problem):
    for found in candidates(problem):
        schedule = to_schedule(problem, found.dates, right_shift=found.source == RIGHT_SHIFT)

        assert check(problem, schedule) == ()
        assert found.objective == objective(problem, schedule)


@RELAXED
@given(problems())
def test_giving_up_what_costs_too_much_loses_no_plan(problem):
    found = greedy(problem)

    least = min(candidate.objective.total for candidate in candidates(problem))
    same = next(each for each in candidates(problem) if each.source == found.source)
    assert found.objective.total == pytest.approx(least)
    assert found == same


@RELAXED
@given(problems())
def test_trying_crews_leaves_nothing_behind(problem):
    prepared = prepare(problem)
    order = prepared.topological

    tried = run_staffed(prepared, order)
    again = run_staffed(prepare(replace(problem)), order)

    assert again == tried
    placed = {i for i, mode in enumerate(tried.mode) if mode >= 0}
    assert placed.isdisjoint(tried.held_by)
    assert len(placed) + len(tried.held_by) == prepared.size


@RELAXED
@given(problems(), st.data())
def test_the_last_fit_is_free_and_none_starts_later(problem, data):
    layout, state = prepare(problem), new_state(prepare(problem))
    pass_into(layout, state, positions(range(layout.size), layout.size))
    i = data.draw(st.integers(0, layout.size - 1))
    modes = range(layout.mode_first[i], layout.mode_first[i + 1])
    working = [m for m in modes if layout.mode_work[m]]
    assume(working)
    mode, windows = data.draw(st.sampled_from(working)), layout.window_set[i]
    latest = data.draw(st.integers(20, 200))

    found = last_fit(layout, state, mode, windows, 0, latest)

    # The first fit from each slot on is another way to list all that fits.
    fits = [first_fit(layout, state, mode, windows, slot) for slot in range(1, latest)]
    starts = {(fit[2], fit[3]) for fit in fits if fit[0] == FITS and fit[3] <= latest}
    assert found == ((True, *max(starts)) if starts else (False, 0, 0))


@RELAXED
@given(problems(), st.data(), st.booleans())
def test_a_plan_made_again_exactly_has_the_same_dates(problem, data, pushed):
    order = data.draw(orders(problem))
    told = announced_crews(problem)
    made = run_serial(prepare(problem), order, crew_choice=told, right_shift=pushed)
    layout, state = prepare(problem), new_state(prepare(problem))

    pass_exactly(
        layout,
        state,
        np.array(made.mode, dtype=np.int32),
        np.array(made.start, dtype=np.int32),
    )

    assert (state.mode.tolist(), state.start.tolist()) == (made.mode, made.start)
    assert state.finish.tolist() == made.finish


@settings(RELAXED, max_examples=150)
@given(
    st.sampled_from(CALENDARS), st.integers(1, 70), st.integers(0, 300), st.sampled_from([14, 30])
)
def test_work_begins_at_the_first_slot_from_which_no_long_pause_breaks_it(
    calendar, work, earliest, longest
):
    whole = Problem(
        axis=AXIS,
        now=0,
        calendars=(calendar,),
        resources=(),
        activities=(Activity("a", 0, (Mode(None, work, 0),)),),
        links=(),
        waits=(),
        jobs=(Job("j"),),
        longest_pause_slots=longest,
    )

    layout = prepare(whole)

    _, _, start, finish, *_ = first_fit(layout, new_state(layout), 0, NONE, earliest)

    # Every calendar repeats within seven days, so what no start of the next ten allows, none does.
    starts = [slot for slot in range(earliest, earliest + 240) if calendar.working[slot]]
    unbroken = (
        slot
        for slot in starts
        if _longest_idle(calendar.working[slot : calendar.finish(slot, work)]) <= longest
    )
    assert start == next(unbroken, starts[0])
    assert finish == calendar.finish(start, work)


def _longest_idle(worked: np.ndarray) -> int:
    return max((sum(1 for _ in run) for works, run in groupby(worked) if not works), default=0)
