"""How a stretch of work shows in a calendar: as hours of one day, or as whole days."""

from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo

import pytest

from crews.feeds import shown_span

EASTERN = ZoneInfo("America/New_York")


@pytest.fixture(autouse=True)
def site_zone(settings):
    settings.TIME_ZONE = "America/New_York"


def test_work_within_one_day_keeps_its_hours_in_utc():
    start = datetime(2026, 6, 8, 7, 0, tzinfo=EASTERN)
    end = datetime(2026, 6, 8, 15, 30, tzinfo=EASTERN)

    span = shown_span(starts_at=start, ends_at=end)

    assert span == (
        datetime(2026, 6, 8, 11, 0, tzinfo=UTC),
        datetime(2026, 6, 8, 19, 30, tzinfo=UTC),
    )
    assert all(moment.tzinfo is UTC for moment in span)


def test_longer_work_shows_as_days_with_the_end_left_out():
    start = datetime(2026, 6, 8, 13, 0, tzinfo=EASTERN)
    end = datetime(2026, 6, 10, 9, 0, tzinfo=EASTERN)

    assert shown_span(starts_at=start, ends_at=end) == (date(2026, 6, 8), date(2026, 6, 11))


def test_the_site_day_decides_not_the_utc_day():
    evening = datetime(2026, 6, 8, 19, 0, tzinfo=EASTERN)
    night = datetime(2026, 6, 8, 22, 0, tzinfo=EASTERN)

    start, end = shown_span(starts_at=evening, ends_at=night)

    assert (start, end) == (
        datetime(2026, 6, 8, 23, tzinfo=UTC),
        datetime(2026, 6, 9, 2, tzinfo=UTC),
    )


def test_work_that_ends_at_midnight_belongs_to_the_day_before():
    start = datetime(2026, 6, 8, 7, 0, tzinfo=EASTERN)
    end = datetime(2026, 6, 9, 0, 0, tzinfo=EASTERN)

    span = shown_span(starts_at=start, ends_at=end)

    assert span == (datetime(2026, 6, 8, 11, tzinfo=UTC), datetime(2026, 6, 9, 4, tzinfo=UTC))


@pytest.mark.parametrize(
    ("start", "end", "shown"),
    [
        # Clocks go forward on Sunday 8 March 2026 and back on Sunday 1 November 2026
        # (Energy Policy Act of 2005, section 110).
        ((2026, 3, 6, 7), (2026, 3, 9, 12), (date(2026, 3, 6), date(2026, 3, 10))),
        ((2026, 10, 30, 7), (2026, 11, 2, 12), (date(2026, 10, 30), date(2026, 11, 3))),
        ((2026, 3, 7, 7), (2026, 3, 8, 7), (date(2026, 3, 7), date(2026, 3, 9))),
        ((2026, 12, 31, 7), (2027, 1, 4, 12), (date(2026, 12, 31), date(2027, 1, 5))),
        ((2028, 2, 28, 7), (2028, 2, 29, 12), (date(2028, 2, 28), date(2028, 3, 1))),
    ],
)
def test_days_are_right_over_clock_changes_year_ends_and_leap_days(start, end, shown):
    starts_at = datetime(*start, tzinfo=EASTERN)
    ends_at = datetime(*end, tzinfo=EASTERN)

    assert shown_span(starts_at=starts_at, ends_at=ends_at) == shown


def test_hours_on_the_morning_after_the_clocks_change_are_the_site_hours():
    start = datetime(2026, 11, 2, 7, 0, tzinfo=EASTERN)
    end = datetime(2026, 11, 2, 9, 0, tzinfo=EASTERN)

    span = shown_span(starts_at=start, ends_at=end)

    assert span == (datetime(2026, 11, 2, 12, tzinfo=UTC), datetime(2026, 11, 2, 14, tzinfo=UTC))
