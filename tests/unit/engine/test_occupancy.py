"""Bits over the slots that count for a resource, against plain Python."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contractor.engine.occupancy import (
    BLOCKED,
    FREE,
    clear,
    first_room,
    first_taken,
    forget,
    give_back,
    last_clear,
    last_room,
    last_set,
    new_state,
    next_clear,
    next_set,
    occupy,
    take,
)
from contractor.engine.prepared import prepare
from contractor.engine.problem import Mode, Resource
from contractor.engine.state import UNPLANNED, State
from tests.unit.engine.builders import AXIS, activity, calendar_open, problem

RELAXED = settings(deadline=None, max_examples=200)
BITS = 200
# Long runs as well as single slots, and edges of words more often than chance would have them.
PLACES = st.one_of(st.integers(0, BITS), st.sampled_from([0, 1, 63, 64, 65, 127, 128, 192, BITS]))
STRETCH = st.tuples(PLACES, PLACES).map(sorted)


@st.composite
def rows(draw: st.DrawFn) -> tuple[list[bool], np.ndarray]:
    """Return a row of flags, and the same flags as bits of words."""
    flags = [False] * BITS
    for begin, end in draw(st.lists(STRETCH, max_size=6)):
        flags[begin:end] = [not flags[begin] if begin < BITS else True] * (end - begin)
    number = sum(1 << n for n, flag in enumerate(flags) if flag)
    words = [(number >> (64 * w)) & (2**64 - 1) for w in range(-(-BITS // 64))]
    return flags, np.array(words, dtype=np.uint64)


@RELAXED
@given(rows(), STRETCH)
def test_the_first_and_last_bit_are_those_that_looking_one_by_one_finds(row, stretch):
    flags, words = row
    begin, end = stretch
    taken = [n for n in range(begin, end) if flags[n]]
    free = [n for n in range(begin, end) if not flags[n]]

    assert next_set(words, begin, end) == min(taken, default=end)
    assert next_clear(words, begin, end) == min(free, default=end)
    assert last_set(words, begin, end) == max(taken, default=begin - 1)
    assert last_clear(words, begin, end) == max(free, default=begin - 1)


@pytest.mark.parametrize("bit", range(64))
def test_each_single_bit_of_a_word_is_found_from_both_sides(bit):
    words = np.array([0, 1 << bit, 0], dtype=np.uint64)

    assert next_set(words, 0, 192) == last_set(words, 0, 192) == 64 + bit
    assert next_clear(~words, 0, 192) == last_clear(~words, 0, 192) == 64 + bit


def one_machine(capacity: int, blocked: tuple[tuple[int, int], ...] = ()) -> State:
    """Return the state of a machine that works all the axis."""
    machine = Resource("m", "Machine", capacity, blocked=blocked)
    whole = problem([activity("a", modes=(Mode(None, 4, 0, (0,)),))], resources=(machine,))
    return new_state(prepare(whole))


@st.composite
def holders(draw: st.DrawFn) -> tuple[int, list[tuple[int, int, int]]]:
    """Return a capacity, and stretches with units that fit into it together."""
    capacity = draw(st.integers(1, 3))
    load = [0] * BITS
    kept = []
    for begin, end in draw(st.lists(STRETCH, max_size=8)):
        units = draw(st.integers(1, capacity))
        if max(load[begin:end], default=0) + units <= capacity:
            kept.append((units, begin, end))
            for slot in range(begin, end):
                load[slot] += units
    return capacity, kept


@RELAXED
@given(holders(), STRETCH, st.data())
def test_rooms_are_those_that_counting_units_slot_by_slot_finds(held, stretch, data):
    capacity, kept = held
    state = one_machine(capacity)
    load = [0] * BITS
    for who, (units, begin, end) in enumerate(kept):
        take(state, 0, capacity, units, begin, end, who)
        for slot in range(begin, end):
            load[slot] += units
    begin, end = stretch
    units, work = data.draw(st.integers(1, capacity)), data.draw(st.integers(1, 40))
    # A single unit is asked of the bits, more are asked of the counts.
    free_units = capacity - units if units > 1 else -1
    over = [slot for slot in range(begin, end) if load[slot] + units > capacity]

    assert first_taken(state, 0, free_units, begin, end) == min(over, default=end)
    first = next(
        slot
        for slot in range(begin, end + 1)
        if not set(range(slot, min(slot + work, end))) & {*over}
    )
    assert first_room(state, 0, free_units, begin, end, work) == first
    ends = (
        stop
        for stop in range(end, begin, -1)
        if stop - 1 not in over and not set(range(max(stop - work, begin), stop)) & {*over}
    )
    last = last_room(state, 0, free_units, begin, end, work)
    whole = next((stop for stop in ends if stop - work >= begin), None)
    assert last == whole if whole is not None else last - work < begin


@RELAXED
@given(holders(), st.data())
def test_what_is_taken_and_given_back_leaves_nothing_behind(held, data):
    capacity, kept = held
    state = one_machine(capacity, blocked=((50, 70),) if not kept else ())
    before = contents(state)
    for who, (units, begin, end) in enumerate(kept):
        take(state, 0, capacity, units, begin, end, who)
    taken = contents(state)

    for units, begin, end in data.draw(st.permutations(kept)):
        give_back(state, 0, capacity, units, begin, end)

    assert contents(state) == before
    assert (taken == before) == all(begin == end for _, begin, end in kept)


@pytest.mark.parametrize("capacity", [1, 2])
def test_a_blocked_stretch_is_taken_whole_and_stays_when_the_plan_is_cleared(capacity):
    whole = problem(
        [activity("a", modes=(Mode(None, 4, 0, (0,)),))],
        resources=(Resource("m", "Machine", capacity, blocked=((10, 20), (60, 70))),),
    )
    state = new_state(prepare(whole))
    fresh = contents(state)
    take(state, 0, capacity, 1, 30, 40, 0)

    clear(prepare(whole), state)

    assert contents(state) == fresh
    assert [next_set(state.words, n, 100) for n in (0, 20, 70)] == [10, 60, 100]
    if capacity == 1:
        assert state.holder[[9, 10, 19, 20]].tolist() == [FREE, BLOCKED, BLOCKED, FREE]
    else:
        assert state.load[[9, 10, 19, 20]].tolist() == [0, 2, 2, 0]


def test_only_slots_that_some_work_could_use_have_a_bit():
    shifts = calendar_open((28, 60), (124, 156), key="days")
    whole = problem([activity("a", work=40)], calendars=(shifts,))
    layout = prepare(whole)
    state = new_state(layout)
    state.mode[0], state.crew[0], state.start[0], state.finish[0] = 0, 0, 50, 154

    occupy(layout, state, 0)

    # From 50 to 60 and from 124 to 154: bits 22 to 62 of the 64 slots worked.
    assert layout.total[layout.base[0]] == 64
    assert [next_set(state.words, 0, 64), next_clear(state.words, 22, 64)] == [22, 62]


def test_resources_share_no_word():
    whole = problem([activity("a", crews=[0]), activity("b", crews=[1])], crews=2)
    layout = prepare(whole)
    state = new_state(layout)

    take(state, 0, 1, 1, 0, AXIS.slots, 0)

    assert (
        next_set(state.words, int(state.first_slot[1]), int(state.first_slot[2]))
        == (state.first_slot[2])
    )


def test_what_is_forgotten_is_as_if_it_had_never_been_placed():
    whole = problem([activity("a", work=70), activity("b", modes=())])
    layout = prepare(whole)
    state = new_state(layout)
    before = contents(state)
    state.mode[0], state.crew[0], state.start[0], state.finish[0] = 0, 0, 30, 100
    state.blocker_slot[0], state.held_for[0], state.held_by[1] = 30, 1, 1
    occupy(layout, state, 0)

    forget(layout, state, 0)
    forget(layout, state, 1)

    assert contents(state) == before
    assert state.mode.tolist() == [UNPLANNED, UNPLANNED]
    assert state.held_for.tolist() == state.held_by.tolist() == [-1, -1]


def contents(state: State) -> tuple[bytes, ...]:
    """Return all that says what is occupied."""
    return state.words.tobytes(), state.holder.tobytes(), state.load.tobytes()
