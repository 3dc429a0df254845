"""Calendars against counting slot by slot."""

from datetime import UTC, datetime
from typing import NamedTuple

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from contractor.engine.fit import FITS, first_fit, last_fit
from contractor.engine.occupancy import new_state, occupy
from contractor.engine.prepared import NONE, Layout, prepare
from contractor.engine.problem import Activity, Job, Mode, Problem, Resource
from contractor.engine.state import State
from contractor.engine.worktime import Axis, HorizonExceeded, WorkCalendar

SLOTS = 3000
RELAXED = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])

ROWS = st.lists(st.booleans(), min_size=1, max_size=60)
STRETCH = st.tuples(st.integers(0, 80), st.integers(1, 15)).map(lambda p: (p[0], p[0] + p[1]))


@given(ROWS, st.data())
def test_finish_is_where_counting_slot_by_slot_ends(row, data):
    calendar = WorkCalendar("row", np.array(row))
    start = data.draw(st.integers(0, len(row)))
    work = data.draw(st.integers(1, len(row)))
    left, slot = work, start
    while left and slot < len(row):
        left -= row[slot]
        slot += 1

    try:
        finish = calendar.finish(start, work)
    except HorizonExceeded:
        finish = None

    assert finish == (None if left else slot)


@given(ROWS, st.data())
def test_work_between_is_the_number_of_working_slots(row, data):
    calendar = WorkCalendar("row", np.array(row))
    a = data.draw(st.integers(0, len(row)))
    b = data.draw(st.integers(a, len(row)))

    assert calendar.work_between(a, b) == sum(row[a:b])


@given(ROWS, st.data())
def test_a_later_start_never_finishes_sooner(row, data):
    calendar = WorkCalendar("row", np.array([*row, *[True] * 10]))
    start = data.draw(st.integers(0, len(row) - 1))
    work = data.draw(st.integers(0, 8))

    assert calendar.finish(start, work) <= calendar.finish(start + 1, work)


@given(st.integers(1, 5000), st.integers(0, 10**9))
def test_rounding_up_and_down_differ_by_at_most_one_slot(slots, microseconds):
    axis = Axis(datetime(2026, 3, 2, tzinfo=UTC), slots)
    instant = axis.origin + (axis.instant(slots) - axis.origin) * (microseconds / 10**9)

    up, down = axis.slot_at_or_after(instant), axis.slot_at_or_before(instant)

    assert axis.instant(down) <= instant <= axis.instant(up)
    assert up - down in (0, 1)


class Machine(NamedTuple):
    """A machine that some hold, and work that wants `units` of it."""

    layout: Layout
    state: State
    units: int
    work: int
    taken: list[int]
    """Units taken by slot, counted slot by slot."""


@st.composite
def machines(draw: st.DrawFn) -> Machine:
    """A machine of one to three units, with holders in two calendars and closed stretches."""
    capacity = draw(st.integers(1, 3))
    units, work = draw(st.integers(1, capacity)), draw(st.integers(1, 12))
    calendars = tuple(
        WorkCalendar(f"{n}", np.resize(np.array([*draw(ROWS), True]), SLOTS)) for n in range(2)
    )
    blocked = tuple((a, b) for a, b in draw(st.lists(STRETCH, max_size=2)))
    holders = draw(st.lists(st.tuples(st.integers(0, 80), st.integers(1, 15)), max_size=8))
    ways = [Mode(None, work, 0, (0,) * units)]
    ways += [Mode(None, length, draw(st.integers(0, 1)), (0,)) for _, length in holders]
    layout = prepare(
        Problem(
            axis=Axis(datetime(2026, 3, 2, tzinfo=UTC), SLOTS),
            now=0,
            calendars=calendars,
            resources=(Resource("m", "Machine", capacity, blocked=blocked),),
            activities=tuple(Activity(f"{i}", 0, (way,)) for i, way in enumerate(ways)),
            links=(),
            waits=(),
            jobs=(Job("j"),),
        )
    )
    state = new_state(layout)
    taken = [0] * SLOTS
    for begins, ends in blocked:
        taken[begins:ends] = [capacity] * (ends - begins)
    for i, (earliest, _) in enumerate(holders, start=1):
        calendar = calendars[ways[i].calendar]
        start = next(slot for slot in range(earliest, SLOTS) if calendar.working[slot])
        finish = calendar.finish(start, ways[i].work_slots)
        if max(taken[start:finish]) < capacity:
            state.mode[i], state.start[i], state.finish[i] = 0, start, finish
            occupy(layout, state, i)
            for slot in range(start, finish):
                taken[slot] += 1
    return Machine(layout, state, units, work, taken)


def free_stretches(machine: Machine) -> list[tuple[int, int]]:
    """Return all free stretches of the work, found slot by slot."""
    lay = machine.layout
    worked = lay.slot_of[: lay.total[0]].tolist()
    capacity = int(lay.capacity[0])
    found = []
    for n in range(len(worked) - machine.work + 1):
        start, finish = worked[n], worked[n + machine.work - 1] + 1
        if max(machine.taken[start:finish]) + machine.units <= capacity:
            found.append((start, finish))
    return found


@RELAXED
@given(machines(), st.integers(0, 100))
def test_a_machine_gives_the_first_gap_that_slot_by_slot_search_finds(machine, earliest):
    fit = first_fit(machine.layout, machine.state, 0, NONE, earliest)

    expected = next(s for s in free_stretches(machine) if s[0] >= earliest)
    assert (fit[0], fit[2], fit[3]) == (FITS, *expected)


@RELAXED
@given(machines(), st.integers(0, 100), st.integers(0, 150))
def test_a_machine_gives_the_last_gap_that_slot_by_slot_search_finds(machine, after, more):
    latest = after + more

    found = last_fit(machine.layout, machine.state, 0, NONE, after, latest)

    expected = [s for s in free_stretches(machine) if after < s[0] and s[1] <= latest]
    assert found == ((True, *expected[-1]) if expected else (False, 0, 0))


@RELAXED
@given(machines(), st.integers(0, 100))
def test_what_moved_a_start_last_held_the_machine_until_then(machine, earliest):
    _, _, start, _, blocker, _, freed = first_fit(machine.layout, machine.state, 0, NONE, earliest)

    if blocker == NONE:
        worked = machine.layout.slot_of[: machine.layout.total[0]]
        assert start == worked[worked >= earliest][0]
    else:
        assert earliest < freed <= start
        assert machine.taken[freed - 1] + machine.units > machine.layout.capacity[0]
