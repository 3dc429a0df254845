"""Calendars against `holidays`, `dateutil.rrule`, `zoneinfo` and dates set by law."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import holidays
import pytest
from dateutil.rrule import DAILY, FR, MO, SA, SU, TH, TU, WE, WEEKLY, YEARLY, rrule, rruleset

from contractor.engine.worktime import (
    SLOTS_PER_DAY,
    Axis,
    WorkCalendar,
    public_holidays,
    weekly_calendar,
)

NEW_YORK = ZoneInfo("America/New_York")
PHOENIX = ZoneInfo("America/Phoenix")
EIGHT_HOURS = [(time(7), time(11)), (time(11, 30), time(15, 30))]
TEN_HOURS = [(time(6, 30), time(16, 30))]
FIVE_EIGHTS = dict.fromkeys(range(5), EIGHT_HOURS)
FOUR_TENS = dict.fromkeys(range(4), TEN_HOURS)


def axis_from(first: date, days: int, zone: ZoneInfo) -> Axis:
    """Return an axis from local midnight of `first`."""
    return Axis(datetime.combine(first, time(), tzinfo=zone), days * SLOTS_PER_DAY)


def worked_dates(calendar: WorkCalendar, axis: Axis, zone: ZoneInfo) -> list[date]:
    """Return the local dates on which `calendar` works, in order, each once."""
    moments = (axis.instant(int(slot)).astimezone(zone) for slot in calendar.working.nonzero()[0])
    return list(dict.fromkeys(moment.date() for moment in moments))


def observed_federal_days(year: int) -> set[date]:
    """Return the days of 5 U.S.C. 6103 (from memory), as recurrence rules, shifted as observed.

    A Saturday is observed on the Friday before, a Sunday on the Monday after.
    """
    begin = datetime(year, 1, 1)
    rules = rruleset()
    for month, day in ((1, 1), (6, 19), (7, 4), (11, 11), (12, 25)):
        rules.rrule(rrule(YEARLY, bymonth=month, bymonthday=day, dtstart=begin, count=2))
    for month, weekday in (
        (1, MO(3)),
        (2, MO(3)),
        (5, MO(-1)),
        (9, MO(1)),
        (10, MO(2)),
        (11, TH(4)),
    ):
        rules.rrule(rrule(YEARLY, bymonth=month, byweekday=weekday, dtstart=begin, count=2))
    shift = {5: -1, 6: 1}
    return {
        moment.date() + timedelta(days=shift.get(moment.weekday(), 0))
        for moment in rules.between(datetime(year - 1, 12, 31), datetime(year + 1, 1, 2), inc=True)
    }


@pytest.mark.parametrize("year", range(2024, 2031))
def test_every_federal_day_is_off_on_the_day_it_is_observed(year):
    days = public_holidays(country="US", subdiv=None, years=[year])

    assert {day for day in observed_federal_days(year) if day.year == year} <= days


@pytest.mark.parametrize("year", range(2024, 2031))
def test_no_working_day_is_off_that_is_not_observed_by_law(year):
    days = public_holidays(country="US", subdiv=None, years=[year])

    assert {day for day in days if day.weekday() < 5} <= observed_federal_days(year)


@pytest.mark.parametrize(
    ("day", "name"),
    [
        # Published by the U.S. Office of Personnel Management, federal holidays (from memory).
        (date(2026, 7, 3), "Independence Day, a Saturday, observed the Friday before"),
        (date(2027, 12, 24), "Christmas Day, a Saturday, observed the Friday before"),
        (date(2027, 12, 31), "New Year's Day 2028, a Saturday, observed in the year before"),
        (date(2028, 11, 10), "Veterans Day, a Saturday, observed the Friday before"),
        (date(2024, 11, 28), "Thanksgiving Day"),
        (date(2025, 6, 19), "Juneteenth"),
    ],
)
def test_a_published_observed_day_is_off(day, name):
    assert day in public_holidays(country="US", subdiv=None, years=[day.year]), name


@pytest.mark.parametrize("subdiv", [None, "OH", "WI", "TX"])
def test_days_off_are_those_of_the_library(subdiv):
    expected = holidays.country_holidays("US", subdiv=subdiv, years=range(2024, 2031))

    assert public_holidays(subdiv=subdiv, years=range(2024, 2031)) == frozenset(expected)


def test_five_eights_work_on_the_working_days_of_a_recurrence_rule():
    axis = axis_from(date(2026, 1, 1), 730, NEW_YORK)
    off = public_holidays(subdiv=None, years=(2026, 2027))
    calendar = weekly_calendar(
        key="five eights", axis=axis, zone=NEW_YORK, weekly=FIVE_EIGHTS, closed=off
    )

    expected = [
        moment.date()
        for moment in rrule(
            DAILY,
            byweekday=(MO, TU, WE, TH, FR),
            dtstart=datetime(2026, 1, 1),
            until=datetime(2027, 12, 31),
        )
        if moment.date() not in off
    ]
    assert worked_dates(calendar, axis, NEW_YORK) == expected
    assert calendar.total == len(expected) * 8 * 4


def test_four_tens_work_monday_to_thursday_of_a_recurrence_rule():
    axis = axis_from(date(2026, 1, 1), 365, NEW_YORK)
    calendar = weekly_calendar(key="four tens", axis=axis, zone=NEW_YORK, weekly=FOUR_TENS)

    expected = rrule(
        WEEKLY,
        byweekday=(MO, TU, WE, TH),
        dtstart=datetime(2026, 1, 1),
        until=datetime(2026, 12, 31),
    )
    assert worked_dates(calendar, axis, NEW_YORK) == [moment.date() for moment in expected]
    assert calendar.total == len(list(expected)) * 10 * 4


def test_every_second_saturday_is_worked_as_a_recurrence_rule_says():
    axis = axis_from(date(2026, 3, 1), 120, NEW_YORK)
    saturdays = [
        moment.date()
        for moment in rrule(WEEKLY, interval=2, byweekday=SA, dtstart=datetime(2026, 3, 7), count=8)
    ]
    calendar = weekly_calendar(
        key="saturdays",
        axis=axis,
        zone=NEW_YORK,
        weekly=FIVE_EIGHTS,
        special={day: [(time(7), time(12))] for day in saturdays},
    )

    worked = [day for day in worked_dates(calendar, axis, NEW_YORK) if day.weekday() == 5]
    assert worked == saturdays


@pytest.mark.parametrize("year", range(2024, 2031))
def test_the_next_working_day_after_the_last_of_a_year_is_that_of_a_recurrence_rule(year):
    axis = axis_from(date(year, 12, 20), 30, NEW_YORK)
    off = public_holidays(subdiv=None, years=(year, year + 1))
    calendar = weekly_calendar(
        key="year end", axis=axis, zone=NEW_YORK, weekly=FIVE_EIGHTS, closed=off
    )

    opens = calendar.next_working(axis.slot_at_or_after(datetime(year + 1, 1, 1, tzinfo=NEW_YORK)))

    working = rrule(DAILY, byweekday=(MO, TU, WE, TH, FR), dtstart=datetime(year + 1, 1, 1))
    expected = next(moment.date() for moment in working if moment.date() not in off)
    assert axis.instant(opens).astimezone(NEW_YORK) == datetime.combine(
        expected, time(7), tzinfo=NEW_YORK
    )


@pytest.mark.parametrize(
    ("first", "change"),
    [
        # 15 U.S.C. 260a: second Sunday of March, first Sunday of November (from memory).
        (date(2026, 3, 2), rrule(YEARLY, bymonth=3, byweekday=SU(2), dtstart=datetime(2026, 1, 1))),
        (
            date(2026, 10, 26),
            rrule(YEARLY, bymonth=11, byweekday=SU(1), dtstart=datetime(2026, 1, 1)),
        ),
    ],
)
def test_work_starts_at_the_same_local_hour_before_and_after_the_clocks_change(first, change):
    axis = axis_from(first, 14, NEW_YORK)
    calendar = weekly_calendar(key="dst", axis=axis, zone=NEW_YORK, weekly=FIVE_EIGHTS)

    begins = [
        axis.instant(slot).astimezone(NEW_YORK)
        for slot in range(1, axis.slots)
        if calendar.is_working(slot) and not calendar.is_working(slot - 1)
    ]

    assert first < change[0].date() < first + timedelta(days=14)
    assert {moment.time() for moment in begins} == {time(7), time(11, 30)}
    assert calendar.total == 10 * 8 * 4
    assert len({moment.utcoffset() for moment in begins}) == 2


def test_a_zone_without_summer_time_keeps_its_offset_all_year():
    axis = axis_from(date(2026, 1, 1), 365, PHOENIX)
    calendar = weekly_calendar(key="phoenix", axis=axis, zone=PHOENIX, weekly=FIVE_EIGHTS)

    starts = {axis.instant(calendar.next_working(day * SLOTS_PER_DAY)).time() for day in range(360)}

    # Seven in the morning at UTC-7.
    assert starts == {time(14)}


def test_the_day_the_clocks_go_forward_has_an_hour_less():
    axis = axis_from(date(2026, 3, 8), 2, NEW_YORK)
    calendar = weekly_calendar(
        key="whole day", axis=axis, zone=NEW_YORK, weekly={6: [(time(0), time(0))]}
    )

    assert calendar.total == 23 * 4


def test_the_day_the_clocks_go_back_has_an_hour_more():
    axis = axis_from(date(2026, 11, 1), 2, NEW_YORK)
    calendar = weekly_calendar(
        key="whole day", axis=axis, zone=NEW_YORK, weekly={6: [(time(0), time(0))]}
    )

    assert calendar.total == 25 * 4


def test_a_local_time_that_is_skipped_is_read_with_the_offset_before_the_change():
    """RFC 5545 section 3.3.5 (from memory): 02:30 on that day is 03:30 summer time."""
    axis = axis_from(date(2026, 3, 8), 1, NEW_YORK)
    calendar = weekly_calendar(
        key="skipped", axis=axis, zone=NEW_YORK, weekly={6: [(time(2, 30), time(5))]}
    )

    assert axis.instant(calendar.next_working(0)) == datetime(2026, 3, 8, 7, 30, tzinfo=UTC)


def test_a_local_time_that_comes_twice_is_the_first():
    """RFC 5545 section 3.3.5 (from memory): 01:30 on that day is summer time."""
    axis = axis_from(date(2026, 11, 1), 1, NEW_YORK)
    calendar = weekly_calendar(
        key="twice", axis=axis, zone=NEW_YORK, weekly={6: [(time(1, 30), time(4))]}
    )

    assert axis.instant(calendar.next_working(0)) == datetime(2026, 11, 1, 5, 30, tzinfo=UTC)


@pytest.mark.parametrize("zone", [NEW_YORK, PHOENIX, ZoneInfo("America/Chicago")])
def test_a_year_of_slots_is_worked_exactly_when_local_time_says_so(zone):
    axis = axis_from(date(2026, 2, 20), 270, zone)
    calendar = weekly_calendar(key="year", axis=axis, zone=zone, weekly=FOUR_TENS)

    for slot in range(axis.slots):
        local = axis.instant(slot).astimezone(zone)
        expected = local.weekday() < 4 and time(6, 30) <= local.time() < time(16, 30)
        if calendar.is_working(slot) != expected:
            pytest.fail(f"{local.isoformat()} should be worked: {expected}")
