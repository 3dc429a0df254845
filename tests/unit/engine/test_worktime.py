import pickle
from datetime import UTC, date, datetime, time, timedelta, timezone
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from contractor.engine.worktime import (
    Axis,
    HorizonExceeded,
    WorkCalendar,
    always_open,
    public_holidays,
    weekly_calendar,
)

MONDAY = datetime(2026, 3, 2, tzinfo=UTC)
AXIS = Axis(MONDAY, 14 * 96)
UTC_ZONE = ZoneInfo("UTC")
WEEKDAYS = {day: [(time(8), time(12)), (time(13), time(17))] for day in range(5)}


def week(**more):
    return weekly_calendar(
        **{"key": "week", "axis": AXIS, "zone": UTC_ZONE, "weekly": WEEKDAYS} | more
    )


def test_an_axis_keeps_its_origin_in_utc():
    axis = Axis(datetime(2026, 3, 2, 7, 0, tzinfo=timezone(timedelta(hours=-5))), 10)

    assert axis.origin == datetime(2026, 3, 2, 12, tzinfo=UTC)
    assert axis.origin.tzinfo is UTC


def test_an_axis_refuses_a_naive_origin():
    with pytest.raises(ValueError, match="has no time zone"):
        Axis(datetime(2026, 3, 2), 10)


def test_an_axis_refuses_an_origin_off_the_quarter_hour():
    with pytest.raises(ValueError, match="quarter hour"):
        Axis(MONDAY + timedelta(minutes=7), 10)


def test_an_axis_without_slots_is_refused():
    with pytest.raises(ValueError, match="slots 0"):
        Axis(MONDAY, 0)


@pytest.mark.parametrize(
    ("minutes", "after", "before"), [(0, 0, 0), (1, 1, 0), (15, 1, 1), (44, 3, 2)]
)
def test_an_instant_between_slots_rounds_up_or_down_as_asked(minutes, after, before):
    instant = MONDAY + timedelta(minutes=minutes)

    assert (AXIS.slot_at_or_after(instant), AXIS.slot_at_or_before(instant)) == (after, before)


def test_a_slot_and_its_instant_are_inverse_in_any_zone():
    instant = AXIS.instant(100)

    assert AXIS.slot_at_or_after(instant.astimezone(ZoneInfo("America/Denver"))) == 100


def test_the_end_of_the_axis_is_still_an_instant_of_it():
    assert AXIS.slot_at_or_after(MONDAY + timedelta(days=14)) == AXIS.slots


def test_an_instant_beyond_the_axis_raises_horizon_exceeded():
    with pytest.raises(HorizonExceeded, match="beyond the axis"):
        AXIS.slot_at_or_after(MONDAY + timedelta(days=14, minutes=1))


def test_a_slot_beyond_the_axis_raises_horizon_exceeded():
    with pytest.raises(HorizonExceeded):
        AXIS.instant(AXIS.slots + 1)


def test_an_instant_before_the_axis_says_to_begin_it_earlier():
    with pytest.raises(ValueError, match="begin the axis earlier"):
        AXIS.slot_at_or_before(MONDAY - timedelta(minutes=1))


def test_a_naive_instant_is_refused():
    with pytest.raises(ValueError, match="has no time zone"):
        AXIS.slot_at_or_after(datetime(2026, 3, 3))


def test_work_pauses_at_noon_and_overnight_and_over_the_weekend():
    calendar = week()
    friday_three_pm = 4 * 96 + 15 * 4

    finish = calendar.finish(friday_three_pm, 4 * 4)

    assert AXIS.instant(finish) == datetime(2026, 3, 9, 10, tzinfo=UTC)


def test_work_that_fills_a_day_ends_with_it_not_the_next_morning():
    assert AXIS.instant(week().finish(0, 8 * 4)) == datetime(2026, 3, 2, 17, tzinfo=UTC)


def test_no_work_ends_at_the_next_working_slot():
    assert week().finish(0, 0) == 32


def test_next_working_of_a_working_slot_is_itself():
    assert week().next_working(33) == 33


def test_is_working_knows_noon():
    calendar = week()

    assert [calendar.is_working(slot) for slot in (31, 32, 47, 48, 51, 52)] == [
        False,
        True,
        True,
        False,
        False,
        True,
    ]


def test_the_end_of_the_axis_is_not_worked():
    assert not always_open("all", AXIS).is_working(AXIS.slots)


def test_work_between_counts_only_working_slots():
    assert week().work_between(0, 7 * 96) == 5 * 32


def test_work_between_slots_in_the_wrong_order_is_refused():
    with pytest.raises(ValueError, match="must not come before"):
        week().work_between(10, 9)


def test_a_slot_before_the_axis_is_refused():
    with pytest.raises(ValueError, match="before the axis"):
        week().next_working(-1)


def test_negative_work_is_refused():
    with pytest.raises(ValueError, match="work_slots -1"):
        week().finish(0, -1)


def test_work_that_does_not_end_on_the_axis_raises_horizon_exceeded():
    with pytest.raises(HorizonExceeded, match="do not end on the axis"):
        week().finish(0, 10 * 32 + 1)


def test_the_last_work_of_the_axis_still_fits():
    assert week().finish(0, 10 * 32) == 11 * 96 + 68


def test_after_the_last_working_slot_raises_horizon_exceeded():
    with pytest.raises(HorizonExceeded, match="no working time"):
        week().next_working(12 * 96)


def test_a_closed_day_is_not_worked():
    calendar = week(closed={date(2026, 3, 3)})

    assert calendar.work_between(96, 2 * 96) == 0
    assert calendar.finish(0, 33) == 2 * 96 + 33


def test_a_special_day_replaces_the_pattern():
    calendar = week(special={date(2026, 3, 7): [(time(7), time(11))]})

    assert calendar.work_between(5 * 96, 6 * 96) == 16


def test_a_special_day_opens_a_closed_one():
    calendar = week(closed=[date(2026, 3, 3)], special={date(2026, 3, 3): [(time(8), time(10))]})

    assert calendar.work_between(96, 2 * 96) == 8


def test_driving_cuts_both_ends_of_the_day_and_spares_noon():
    calendar = week(late_start_minutes=30, early_end_minutes=45)

    assert calendar.next_working(0) == 34
    assert calendar.work_between(0, 96) == 32 - 2 - 3


def test_driving_longer_than_the_day_leaves_no_work():
    assert week(late_start_minutes=600).total == 0


def test_driving_past_the_first_stretch_starts_in_the_second():
    assert week(late_start_minutes=5 * 60 + 30).next_working(0) == 54


def test_a_slot_worked_in_part_does_not_count():
    calendar = week(weekly={0: [(time(8, 5), time(8, 55))]})

    assert calendar.work_between(0, 96) == 2
    assert calendar.next_working(0) == 33


def test_an_end_of_midnight_means_the_end_of_the_day():
    assert week(weekly={0: [(time(22), time(0))]}).work_between(0, 96) == 8


def test_a_day_begun_in_local_time_before_the_axis_still_counts():
    axis = Axis(datetime(2026, 3, 3, 2, tzinfo=UTC), 96)
    calendar = weekly_calendar(
        key="evening",
        axis=axis,
        zone=ZoneInfo("America/New_York"),
        weekly={0: [(time(20), time(23))]},
    )

    assert calendar.total == 8


@pytest.mark.parametrize(
    "hours",
    [[(time(9), time(8))], [(time(8), time(12)), (time(11), time(13))], [(time(8), time(8))]],
)
def test_hours_out_of_order_are_refused(hours):
    with pytest.raises(ValueError, match=r"weekday 2: .* is out of order"):
        week(weekly={2: hours})


def test_an_unknown_weekday_is_refused():
    with pytest.raises(ValueError, match="day 7"):
        week(weekly={7: []})


def test_negative_minutes_are_refused():
    with pytest.raises(ValueError, match="late_start_minutes -5"):
        week(late_start_minutes=-5)


def test_a_calendar_keeps_its_own_copy_of_the_row_it_is_given():
    row = np.ones(4, dtype=np.bool_)
    calendar = WorkCalendar("own", row)

    row[:] = False

    assert calendar.is_working(0)


def test_the_tables_of_a_calendar_cannot_be_written():
    with pytest.raises(ValueError, match="read-only"):
        week().working[0] = True


def test_a_calendar_survives_pickling():
    calendar = week()

    again = pickle.loads(pickle.dumps(calendar))

    assert (again.key, again.finish(0, 40)) == (calendar.key, calendar.finish(0, 40))


def test_an_unknown_country_is_refused():
    with pytest.raises(ValueError, match="country 'XX'"):
        public_holidays(country="XX", subdiv=None, years=[2026])


def test_holidays_of_no_year_are_none():
    assert public_holidays(subdiv=None, years=[]) == frozenset()
