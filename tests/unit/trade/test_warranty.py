from datetime import date

import pytest

from contractor.trade.warranty import under_warranty, workmanship_ends_on


def test_a_leap_day_falls_back_to_the_28th():
    assert workmanship_ends_on(date(2028, 2, 29)) == date(2033, 2, 28)
    assert workmanship_ends_on(date(2028, 2, 29), years=4) == date(2032, 2, 29)


@pytest.mark.parametrize(("years", "ends_year"), [(1, 2027), (50, 2076)])
def test_the_shortest_and_the_longest_warranty(years, ends_year):
    assert workmanship_ends_on(date(2026, 1, 1), years=years) == date(ends_year, 1, 1)


@pytest.mark.parametrize("years", [0, -5, 51])
def test_a_warranty_runs_one_to_fifty_years(years):
    with pytest.raises(ValueError, match="years"):
        workmanship_ends_on(date(2026, 1, 1), years=years)


@pytest.mark.parametrize(
    ("asked_on", "covered"),
    [
        (date(2026, 6, 11), False),
        (date(2026, 6, 12), True),
        (date(2031, 6, 12), True),
        (date(2031, 6, 13), False),
    ],
)
def test_a_callback_is_covered_to_the_last_day(asked_on, covered):
    assert under_warranty(asked_on=asked_on, completed_on=date(2026, 6, 12)) is covered
