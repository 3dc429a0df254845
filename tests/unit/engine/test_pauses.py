"""No work is left half done over a closing, where a stretch between closings could hold it."""

import pytest

from contractor.engine.bound import lower_bound
from contractor.engine.decode import Bind, decode
from contractor.engine.problem import Announced, Pin, Window
from contractor.engine.worktime import HorizonExceeded
from tests.unit.engine.builders import (
    AXIS,
    activity,
    by_crew,
    calendar_open,
    day_shifts,
    place,
    problem,
    spans,
)

LIMIT = 100
# Closed for 10 slots (a night), then for 400 (a closing), then for 100 (just within the limit).
CLOSINGS = calendar_open((0, 40), (50, 100), (500, 600), (700, 900))


def with_closings(*rows, links=(), **more):
    more.setdefault("calendars", (CLOSINGS,))
    more.setdefault("longest_pause_slots", LIMIT)
    return problem(rows, links, **more)


def test_work_that_would_stop_for_a_closing_begins_after_it():
    whole = with_closings(activity("set", work=20, release=90))

    assert spans(decode(whole, [0])) == [(500, 520)]


def test_work_that_ends_as_the_closing_begins_stays_before_it():
    whole = with_closings(activity("set", work=20, release=80))

    assert spans(decode(whole, [0])) == [(80, 100)]


def test_without_a_limit_work_stops_for_a_closing_and_goes_on_after_it():
    whole = with_closings(activity("set", work=20, release=90), longest_pause_slots=None)

    assert spans(decode(whole, [0])) == [(90, 510)]


@pytest.mark.parametrize("release", [30, 590])
def test_work_stops_for_a_pause_up_to_the_limit(release):
    whole = with_closings(activity("set", work=20, release=release))

    assert place(decode(whole, [0]), 0).start == release


def test_work_under_way_goes_on_and_stops_for_the_closing():
    whole = with_closings(activity("set", work=20, under_way=True), now=90)

    assert spans(decode(whole, [0])) == [(90, 510)]


def test_work_longer_than_every_stretch_may_stop_for_a_closing():
    # The stretches hold 90 and 300 working slots.
    longer = with_closings(activity("set", work=301, release=10))
    just_as_long = with_closings(activity("set", work=300, release=10))

    assert spans(decode(longer, [0])) == [(10, 821)]
    assert spans(decode(just_as_long, [0])) == [(500, 900)]


def test_work_after_the_last_stretch_that_could_hold_it_may_stop_for_a_closing():
    short_weeks = calendar_open((0, 80), (500, 530), (1000, 1030))
    whole = with_closings(activity("set", work=40, release=60), calendars=(short_weeks,))

    assert spans(decode(whole, [0])) == [(60, 520)]


def test_a_stretch_that_the_axis_cuts_off_asks_for_a_longer_axis():
    cut_off = calendar_open((0, 80), (AXIS.slots - 30, AXIS.slots))
    whole = with_closings(activity("set", work=40, release=60), calendars=(cut_off,))

    with pytest.raises(HorizonExceeded, match="does not end on the axis"):
        decode(whole, [0])


def test_a_stretch_too_short_for_the_work_is_passed_over():
    short_week = calendar_open((0, 100), (500, 510), (1000, 1100))
    whole = with_closings(activity("set", work=20, release=90), calendars=(short_week,))

    assert spans(decode(whole, [0])) == [(1000, 1020)]


def test_a_busy_crew_does_not_push_work_into_a_closing():
    rows = [activity("first", work=90), activity("set", work=20)]
    one_at_a_time = calendar_open((0, 95), (500, 600))

    schedule = decode(with_closings(*rows, calendars=(one_at_a_time,)), [0, 1])

    assert spans(schedule) == [(0, 90), (500, 520)]


def test_a_crew_without_a_closing_takes_over_where_it_is_done_much_sooner():
    rows = activity("set", modes=by_crew(20, 0) + by_crew(20, 1, calendar=1), release=90)
    whole = with_closings(rows, crews=2, calendars=(CLOSINGS, day_shifts()))

    assert place(decode(whole, [0]), 0).mode == 1


def test_a_window_that_opens_just_before_a_closing_is_entered_after_it():
    whole = with_closings(activity("dig", work=20, windows=(Window(85, 600),)))

    assert spans(decode(whole, [0])) == [(500, 520)]


def test_work_that_no_window_holds_without_a_closing_in_it_is_not_planned():
    whole = with_closings(activity("dig", work=20, windows=(Window(85, 515),)))

    schedule = decode(whole, [0])

    assert [entry.reason for entry in schedule.unplanned] == [
        "no window is left that is long enough for it"
    ]


def test_work_that_waits_for_a_closing_says_how_long_that_is():
    because = place(decode(with_closings(activity("set", work=20, release=90)), [0]), 0).because

    assert (because.kind, because.slot) == (Bind.CALENDAR, 500)
    # Closed from slot 100 to 500, of which 96 are a day.
    assert because.why == "not begun before a closing of 4 days"


def test_a_pin_just_before_a_closing_is_broken_and_says_so():
    (broken,) = decode(with_closings(activity("set", work=20, pin=Pin(0, 90))), [0]).broken_pins

    assert broken.reason == "not begun before a closing of 4 days"
    assert broken.nearest_start == 500


def test_work_is_not_held_back_over_a_closing_nor_into_one():
    rows = [activity("dig", work=20, release=50), activity("set", release=515, crews=[1])]
    whole = with_closings(*rows, links=[(0, 1)], crews=2, float_slots=0)

    # The 15 slots after the closing are too few, so it is held back only up to the closing.
    assert spans(decode(whole, [0, 1]))[0] == (80, 100)


def test_work_that_no_stretch_holds_is_still_held_back():
    short_weeks = calendar_open((0, 30), (500, 530), (1000, 1030), (1500, 1530))
    rows = [activity("dig", work=40), activity("set", release=1500, crews=[1])]
    whole = with_closings(*rows, links=[(0, 1)], crews=2, calendars=(short_weeks,), float_slots=0)

    assert spans(decode(whole, [0, 1]))[0] == (520, 1030)


def test_an_announced_start_before_a_closing_is_moved_behind_it_when_pushed_right():
    whole = with_closings(activity("set", work=20, announced=Announced(0, 90)))

    placed = place(decode(whole, [0], right_shift=True), 0)

    assert placed.start == 500
    assert placed.because.why == "later than announced: not begun before a closing of 4 days"


def test_the_bound_does_not_count_on_work_that_stops_for_a_closing():
    whole = with_closings(activity("set", work=20, release=90))

    assert lower_bound(whole).finish_days == 520 / 96


def test_a_limit_below_zero_is_refused():
    with pytest.raises(ValueError, match="longest_pause_slots -1"):
        with_closings(activity("set"), longest_pause_slots=-1)
