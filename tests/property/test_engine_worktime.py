"""Calendars against counting slot by slot."""

from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from contractor.engine.timeline import SharedTimeline, SingleTimeline, merge_stretches
from contractor.engine.worktime import Axis, HorizonExceeded, WorkCalendar

ROWS = st.lists(st.booleans(), min_size=1, max_size=60)
STRETCHES = st.lists(
    st.tuples(st.integers(0, 80), st.integers(1, 15)).map(lambda p: (p[0], p[0] + p[1])), max_size=8
)


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


@given(STRETCHES)
def test_merged_stretches_cover_the_same_slots_and_never_touch(stretches):
    merged = merge_stretches(stretches)

    assert {s for a, b in merged for s in range(a, b)} == {
        s for a, b in stretches for s in range(a, b)
    }
    assert all(a[1] < b[0] for a, b in pairwise(merged))


@given(STRETCHES, st.integers(1, 3), st.integers(1, 12), st.data())
def test_a_resource_gives_the_first_gap_that_slot_by_slot_search_finds(
    stretches, capacity, length, data
):
    units = data.draw(st.integers(1, capacity))
    line = SingleTimeline(()) if capacity == 1 else SharedTimeline(capacity, ())
    load = [0] * 400
    for holder, (begins, ends) in enumerate(stretches):
        if all(load[slot] < capacity for slot in range(begins, ends)):
            line.occupy(begins, ends, 1, holder)
            for slot in range(begins, ends):
                load[slot] += 1
    expected = next(
        slot for slot in range(300) if max(load[slot : slot + length]) <= capacity - units
    )

    start = 0
    while conflict := line.conflict(start, start + length, units, length):
        start = conflict[0]

    assert start == expected
