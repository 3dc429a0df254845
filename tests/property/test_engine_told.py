"""Plans that people were told: pushed right, compared, and held back until what follows."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from contractor.engine.check import check
from contractor.engine.compare import compare
from contractor.engine.decode import Bind, decode
from contractor.engine.greedy import announced_crews
from contractor.engine.objective import objective
from contractor.engine.prepared import prepare
from tests.property.engine_strategies import (
    AXIS,
    CREWS,
    RELAXED,
    SLOTS,
    all_open,
    announced,
    last_finish,
    orders,
    problems,
    rows_of,
)


@RELAXED
@given(problems(), st.data())
def test_announcing_a_plan_and_pushing_it_right_moves_nothing(problem, data):
    told = announced(problem, decode(all_open(problem), data.draw(orders(problem))))

    again = decode(
        told, range(len(told.activities)), crew_choice=announced_crews(told), right_shift=True
    )

    assert objective(told, again).moved_days == 0
    assert objective(told, again).crew_changes == 0


@RELAXED
@given(problems(), st.data(), st.integers(1, 200))
def test_a_right_shift_keeps_the_order_of_each_crew(problem, data, delay):
    told = announced(all_open(problem), decode(all_open(problem), data.draw(orders(problem))))
    late = data.draw(st.integers(0, len(told.activities) - 1))
    rows = list(told.activities)
    rows[late] = replace(rows[late], release=rows[late].release + delay)
    delayed = replace(told, activities=tuple(rows))

    pushed = decode(
        delayed, range(len(rows)), crew_choice=announced_crews(delayed), right_shift=True
    )

    for crew, resource in enumerate(delayed.resources[:CREWS]):
        kept = [
            (told.activities[p.activity].announced.start, p.start, p.finish)
            for p in filter(None, pushed.placed)
            if told.activities[p.activity].announced
            and told.activities[p.activity].modes[p.mode].crew == crew
            and p.finish > p.start
        ]
        if resource.capacity == 1:
            starts = [start for _, start, _ in sorted(kept)]
            assert starts == sorted(starts)
        assert all(start >= before for before, start, _ in kept)


@RELAXED
@given(problems(), st.data())
def test_comparing_two_plans_accounts_for_every_booking_once(problem, data):
    before = rows_of(problem, decode(problem, data.draw(orders(problem))))
    after = rows_of(problem, decode(problem, data.draw(orders(problem))))

    found = compare(before, after)

    assert len(found.moved) + len(found.same) + len(found.added) == len(after)
    assert len(found.moved) + len(found.same) + len(found.removed) == len(before)


@RELAXED
@given(problems(), st.data())
def test_holding_work_back_delays_no_finish_and_nothing_that_follows(problem, data):
    # With one job all is placed before anything is held back, so both passes agree until then.
    rows = tuple(replace(row, job=0) for row in problem.activities)
    whole = replace(problem, activities=rows)
    order = data.draw(orders(whole))

    held = decode(whole, order)
    early = decode(replace(whole, float_slots=AXIS.slots), order)

    assert held.unplanned == early.unplanned
    assert last_finish(held) == last_finish(early)
    for now, before in zip(held.placed, early.placed, strict=True):
        if now is not None and before is not None:
            moved = now.because.kind is Bind.FLOW
            assert now.mode == before.mode
            assert now.start > before.start if moved else now.start == before.start


@RELAXED
@given(problems(), st.data())
def test_what_was_told_is_not_held_back_beyond_it(problem, data):
    schedule = decode(problem, data.draw(orders(problem)))

    for placed in filter(None, schedule.placed):
        activity = problem.activities[placed.activity]
        if placed.because.kind is Bind.FLOW and activity.announced:
            assert placed.start <= activity.announced.start
        if placed.because.kind is Bind.FLOW:
            assert activity.pin is None
            assert not activity.under_way
            assert not problem.jobs[activity.job].begun


@RELAXED
@given(problems(), st.data())
def test_a_job_does_not_begin_before_it_may(problem, data):
    begins = {j: data.draw(SLOTS) for j in range(len(problem.jobs))}

    schedule = decode(problem, data.draw(orders(problem)), begins=begins)

    assert check(problem, schedule) == ()
    for placed in filter(None, schedule.placed):
        if prepare(problem).may_wait[placed.activity]:
            assert placed.start >= begins[problem.activities[placed.activity].job]
