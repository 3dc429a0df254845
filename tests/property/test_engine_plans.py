"""Whatever the problem: nobody in two places, nothing early, nothing outside working time."""

from dataclasses import replace
from datetime import UTC, datetime
from itertools import groupby, pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from contractor.engine.bound import lower_bound
from contractor.engine.check import check
from contractor.engine.compare import Row, compare
from contractor.engine.decode import Bind, Schedule, decode, to_schedule
from contractor.engine.explain import chain
from contractor.engine.fit import FITS, first_fit, last_fit
from contractor.engine.greedy import RIGHT_SHIFT, announced_crews, candidates, greedy
from contractor.engine.improve import IterationStop, search
from contractor.engine.objective import objective
from contractor.engine.occupancy import new_state
from contractor.engine.passes import pass_exactly, pass_into, positions, run_serial, run_staffed
from contractor.engine.planner import plan
from contractor.engine.prepared import NONE, prepare
from contractor.engine.problem import (
    Activity,
    Announced,
    Job,
    Link,
    Mode,
    Pin,
    Problem,
    Resource,
    Wait,
    Window,
)
from contractor.engine.worktime import Axis, WorkCalendar, always_open

AXIS = Axis(datetime(2026, 3, 2, tzinfo=UTC), 6000)
CREWS = 3
MACHINE = 3
SLOTS = st.integers(0, 300)
RELAXED = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def _calendar(begins: int, ends: int, off: int) -> WorkCalendar:
    """Return a calendar of 24-slot days worked from `begins` to `ends`, every `off`-th day not."""
    slot = np.arange(AXIS.slots)
    in_day = (slot % 24 >= begins) & (slot % 24 < ends)
    return WorkCalendar(f"{begins}-{ends}-{off}", in_day & (slot // 24 % off != off - 1))


CALENDARS = (
    always_open("open", AXIS),
    _calendar(6, 16, 7),
    _calendar(8, 14, 5),
    _calendar(0, 9, 3),
)


@st.composite
def waits(draw: st.DrawFn) -> Wait:
    """A wait with cut-offs: a plain lag, then on to the next multiple of a step."""
    lag, step = draw(st.integers(0, 40)), draw(st.integers(1, 30))
    slot = np.arange(AXIS.slots + 1) + lag
    return Wait(f"{draw(st.uuids())}", -(-slot // step) * step)


@st.composite
def modes(draw: st.DrawFn) -> tuple[Mode, ...]:
    fewest = 1 if draw(st.integers(0, 19)) else 0
    anyone = st.sampled_from([None, *range(CREWS)])
    crews = draw(st.lists(anyone, min_size=fewest, max_size=3, unique=True))
    machines = draw(st.sampled_from([(), (), (MACHINE,), (MACHINE, MACHINE)]))
    calendar = st.integers(0, len(CALENDARS) - 1)
    return tuple(Mode(crew, draw(st.integers(0, 40)), draw(calendar), machines) for crew in crews)


@st.composite
def windows(draw: st.DrawFn) -> tuple[Window, ...]:
    if draw(st.integers(0, 4)):
        return ()
    opens = draw(st.lists(SLOTS, min_size=1, max_size=3))
    return (
        *(Window(slot, slot + draw(st.integers(1, 90))) for slot in opens),
        Window(1000, 3000),
    )


@st.composite
def activities(draw: st.DrawFn, index: int, jobs: int) -> Activity:
    crew = st.sampled_from([None, *range(CREWS)])
    some = st.integers(0, 3).map(lambda n: n == 0)
    return Activity(
        key=f"a{index}",
        job=draw(st.integers(0, jobs - 1)),
        modes=draw(modes()),
        release=draw(SLOTS) if draw(some) else 0,
        windows=draw(windows()),
        pin=Pin(draw(crew), draw(SLOTS)) if draw(some) else None,
        announced=Announced(draw(crew), draw(SLOTS), draw(st.sampled_from([0.5, 1.0, 4.0])))
        if draw(some)
        else None,
        under_way=draw(st.integers(0, 9)) == 0,
    )


@st.composite
def problems(draw: st.DrawFn) -> Problem:
    """Problems of up to ten activities with everything in them, links from lower to higher."""
    size, jobs = draw(st.integers(1, 10)), draw(st.integers(1, 3))
    rows = tuple(draw(activities(index, jobs)) for index in range(size))
    wait_rows = tuple(draw(st.lists(waits(), max_size=2, unique_by=lambda wait: wait.key)))
    pairs = st.tuples(st.integers(0, size - 1), st.integers(0, size - 1))
    wait = st.sampled_from([None, *range(len(wait_rows))])
    links = tuple(
        Link(
            min(pair),
            max(pair),
            draw(st.booleans()),
            draw(wait),
            longest_slots=draw(st.sampled_from([None, None, None, 0, 100])),
        )
        for pair in draw(st.lists(pairs, max_size=size))
        if pair[0] != pair[1]
    )
    blocked = st.lists(st.tuples(SLOTS, st.integers(1, 60)), max_size=2)
    resources = tuple(
        Resource(
            f"r{i}",
            f"R {i}",
            capacity=2 if i == MACHINE else draw(st.integers(1, 2)),
            blocked=tuple((slot, slot + length) for slot, length in draw(blocked)),
        )
        for i in range(CREWS + 1)
    )
    return Problem(
        axis=AXIS,
        now=draw(st.integers(0, 60)),
        calendars=CALENDARS,
        resources=resources,
        activities=rows,
        links=links,
        waits=wait_rows,
        jobs=tuple(
            Job(
                f"j{i}",
                draw(st.none() | SLOTS),
                draw(st.sampled_from([0.0, 1.0, 3.0])),
                draw(st.sampled_from([None, *range(CREWS)])),
                begun=draw(st.integers(0, 3)) == 0,
                visit_price=draw(st.sampled_from([0.0, 0.0, 25.0])),
            )
            for i in range(jobs)
        ),
        visit_pause_slots=draw(st.sampled_from([0, 24, 384])),
        freeze_until=draw(st.integers(0, 200)),
        change_crew_slots=draw(st.integers(0, 64)),
        float_slots=draw(st.integers(0, 30)),
        # Nights of 14 to 18 slots, days off of 38 to 42 with the nights at their ends.
        longest_pause_slots=draw(st.sampled_from([None, 14, 30, 40])),
    )


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


def orders(problem: Problem) -> st.SearchStrategy[list[int]]:
    return st.permutations(range(len(problem.activities)))


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
            stretches = sorted(_stretches(problem, schedule, crew))
            assert all(a[1] <= b[0] for a, b in pairwise(stretches))


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
@given(problems(), st.data())
def test_announcing_a_plan_and_pushing_it_right_moves_nothing(problem, data):
    told = _announced(problem, decode(_open(problem), data.draw(orders(problem))))

    again = decode(
        told, range(len(told.activities)), crew_choice=announced_crews(told), right_shift=True
    )

    assert objective(told, again).moved_days == 0
    assert objective(told, again).crew_changes == 0


@RELAXED
@given(problems(), st.data(), st.integers(1, 200))
def test_a_right_shift_keeps_the_order_of_each_crew(problem, data, delay):
    told = _announced(_open(problem), decode(_open(problem), data.draw(orders(problem))))
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
    before = _rows(problem, decode(problem, data.draw(orders(problem))))
    after = _rows(problem, decode(problem, data.draw(orders(problem))))

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
    assert _last_finish(held) == _last_finish(early)
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


def _last_finish(schedule: Schedule) -> int:
    return max((placed.finish for placed in schedule.placed if placed), default=0)


def _stretches(problem: Problem, schedule: Schedule, crew: int) -> list[tuple[int, int]]:
    return [
        (placed.start, placed.finish)
        for placed in filter(None, schedule.placed)
        if problem.activities[placed.activity].modes[placed.mode].crew == crew
        and placed.finish > placed.start
    ]


def _open(problem: Problem) -> Problem:
    """Return the problem with nothing told, pinned or under way."""
    rows = tuple(
        replace(row, pin=None, announced=None, under_way=False) for row in problem.activities
    )
    return replace(problem, activities=rows)


def _announced(problem: Problem, schedule: Schedule) -> Problem:
    """Return the problem with the schedule told to people."""
    rows = tuple(
        replace(
            row,
            pin=None,
            under_way=False,
            announced=None
            if placed is None
            else Announced(row.modes[placed.mode].crew, placed.start),
        )
        for row, placed in zip(problem.activities, schedule.placed, strict=True)
    )
    return replace(problem, activities=rows)


def _rows(problem: Problem, schedule: Schedule) -> list[Row]:
    rows = []
    for placed in filter(None, schedule.placed):
        activity = problem.activities[placed.activity]
        crew = activity.modes[placed.mode].crew
        rows.append(
            Row(
                activity.key,
                f"{activity.job}",
                f"{crew}",
                AXIS.instant(placed.start),
                AXIS.instant(placed.finish),
            )
        )
    return rows
