"""Repeated closures, against the examples of RFC 5545 section 3.8.5.3."""

from datetime import date

import pytest

from contractor.trade.closures import check_recurrence, closed_days


def days(first_day: date, repeats: str, until: date, last_day: date | None = None) -> list[date]:
    return sorted(
        closed_days(
            first_day=first_day, last_day=last_day or first_day, repeats=repeats, until=until
        )
    )


def test_monthly_on_the_first_friday_as_in_the_rfc():
    """DTSTART 1997-09-05, FREQ=MONTHLY;COUNT=10;BYDAY=1FR: RFC 5545 section 3.8.5.3."""
    found = days(date(1997, 9, 5), "FREQ=MONTHLY;COUNT=10;BYDAY=1FR", date(1999, 1, 1))

    assert found == [
        date(1997, 9, 5),
        date(1997, 10, 3),
        date(1997, 11, 7),
        date(1997, 12, 5),
        date(1998, 1, 2),
        date(1998, 2, 6),
        date(1998, 3, 6),
        date(1998, 4, 3),
        date(1998, 5, 1),
        date(1998, 6, 5),
    ]


def test_every_other_week_as_in_the_rfc():
    """DTSTART 1997-09-02, FREQ=WEEKLY;INTERVAL=2;WKST=SU: RFC 5545 section 3.8.5.3."""
    found = days(date(1997, 9, 2), "FREQ=WEEKLY;INTERVAL=2;WKST=SU", date(1997, 11, 30))

    assert found == [
        date(1997, 9, 2),
        date(1997, 9, 16),
        date(1997, 9, 30),
        date(1997, 10, 14),
        date(1997, 10, 28),
        date(1997, 11, 11),
        date(1997, 11, 25),
    ]


def test_the_second_wednesday_of_a_month_by_hand():
    found = days(date(2026, 1, 14), "FREQ=MONTHLY;BYDAY=2WE", date(2026, 4, 30))

    assert found == [date(2026, 1, 14), date(2026, 2, 11), date(2026, 3, 11), date(2026, 4, 8)]


def test_without_a_rule_it_is_closed_once_and_the_first_day_always_counts():
    assert days(date(2026, 6, 1), "", date(2030, 1, 1)) == [date(2026, 6, 1)]
    assert date(2026, 6, 1) in days(date(2026, 6, 1), "FREQ=MONTHLY;BYDAY=2WE", date(2026, 7, 1))


def test_a_stretch_repeats_with_its_length():
    found = days(date(2026, 12, 24), "FREQ=YEARLY", date(2027, 12, 31), last_day=date(2026, 12, 26))

    assert found == [date(y, 12, d) for y in (2026, 2027) for d in (24, 25, 26)]


@pytest.mark.parametrize(
    "repeats",
    [
        "every second Wednesday",
        "FREQ=DAILY",
        "FREQ=HOURLY",
        "FREQ=MONTHLY;INTERVAL=0",
        "FREQ=MONTHLY;BYDAY=2XX",
        "FREQ=MONTHLY;BYHOUR=3",
        "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30",
        "FREQ=MONTHLY;COUNT=x",
        ";",
    ],
)
def test_a_rule_that_cannot_be_used_is_refused_with_an_example(repeats):
    with pytest.raises(ValueError, match=r"repeats .*FREQ=MONTHLY;BYDAY=2WE"):
        check_recurrence(repeats, first_day=date(2026, 1, 14))
