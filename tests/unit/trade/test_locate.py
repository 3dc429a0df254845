from datetime import date

import pytest

from contractor.trade.locate import (
    STARTER_RULES,
    LocateRule,
    earliest_dig_date,
    expires_on,
    must_start_by,
    renew_by,
    ticket_clock,
)


def weekday(day: date) -> bool:
    return day.weekday() < 5


def rule(**changes: object) -> LocateRule:
    return LocateRule(**{"state": "ZZ", "notice_working_days": 3, "life_days": 21, **changes})


MONDAY = date(2026, 6, 1)


def test_three_whole_working_days_after_a_monday_call_allow_friday():
    assert earliest_dig_date(MONDAY, rule(), weekday) == date(2026, 6, 5)


def test_the_day_of_the_call_counts_where_the_rule_says_so():
    here = rule(count_from_next_day=False)

    assert earliest_dig_date(MONDAY, here, weekday) == date(2026, 6, 4)


def test_a_weekend_does_not_count():
    assert earliest_dig_date(date(2026, 6, 4), rule(), weekday) == date(2026, 6, 10)


def test_a_holiday_does_not_count():
    def open_day(day: date) -> bool:
        return weekday(day) and day != date(2026, 7, 3)

    assert earliest_dig_date(date(2026, 7, 1), rule(), open_day) == date(2026, 7, 8)


def test_a_call_on_sunday_counts_from_monday():
    assert earliest_dig_date(date(2026, 6, 7), rule(), weekday) == date(2026, 6, 11)


def test_life_in_calendar_days_counts_from_the_call():
    assert expires_on(MONDAY, rule(), weekday) == date(2026, 6, 22)


def test_life_in_working_days_skips_weekends():
    here = rule(life_days=15, life_in_working_days=True)

    assert expires_on(MONDAY, here, weekday) == date(2026, 6, 22)


def test_life_from_the_dig_date_has_it_as_first_day():
    here = rule(life_days=15, life_from_dig_date=True)

    assert expires_on(MONDAY, here, weekday) == date(2026, 6, 19)


def test_a_must_start_is_counted_from_the_dig_date_and_never_outlives_the_ticket():
    assert must_start_by(MONDAY, rule(), weekday) is None
    assert must_start_by(MONDAY, rule(must_start_days=14), weekday) == date(2026, 6, 18)
    assert must_start_by(MONDAY, rule(must_start_days=90), weekday) == date(2026, 6, 22)


def test_a_renewal_called_on_its_last_day_leaves_no_gap():
    clock = ticket_clock(MONDAY, rule(), weekday)

    renewed = earliest_dig_date(clock.renew_by, rule(), weekday)
    too_late = earliest_dig_date(date(2026, 6, 18), rule(), weekday)

    assert clock.renew_by == date(2026, 6, 17)
    assert renewed <= date(2026, 6, 23) < too_late


def test_renewal_comes_before_the_ticket_runs_out():
    assert renew_by(date(2026, 6, 22), rule(), weekday) < date(2026, 6, 22)


@pytest.mark.parametrize(
    ("day", "allowed"),
    [
        (date(2026, 6, 4), False),
        (date(2026, 6, 5), True),
        (date(2026, 6, 22), True),
        (date(2026, 6, 23), False),
    ],
)
def test_a_dig_is_allowed_from_the_earliest_day_to_the_last(day, allowed):
    assert ticket_clock(MONDAY, rule(), weekday).allows_dig_on(day) is allowed


@pytest.mark.parametrize(
    ("field", "value"),
    [("notice_working_days", 0), ("life_days", 0), ("must_start_days", 0)],
)
def test_a_senseless_rule_is_refused(field, value):
    with pytest.raises(ValueError, match=field):
        rule(**{field: value})


@pytest.mark.parametrize("state", STARTER_RULES)
def test_each_starter_rule_lets_a_crew_dig_before_it_runs_out(state):
    clock = ticket_clock(MONDAY, STARTER_RULES[state], weekday)

    assert STARTER_RULES[state].state == state
    assert STARTER_RULES[state].marked
    assert MONDAY < clock.earliest_dig < clock.expires_on
    assert clock.earliest_dig <= (clock.start_by or clock.expires_on) <= clock.expires_on


@pytest.mark.parametrize(
    ("state", "dig_on", "last_day"),
    [
        ("AL", date(2026, 6, 4), date(2026, 7, 1)),
        ("KS", date(2026, 6, 4), date(2026, 6, 18)),
        ("MI", date(2026, 6, 5), date(2026, 6, 25)),
        ("NC", date(2026, 6, 5), date(2026, 6, 22)),
        ("TN", date(2026, 6, 5), date(2026, 6, 19)),
    ],
)
def test_starter_rules_called_on_a_monday(state, dig_on, last_day):
    """
    Source: the states' one-call laws and guides; days counted by hand, our own arithmetic.

    AL 2 and 20 working days; KS 2 working and 15 calendar days; MI 3 working days and 21
    days; NC 3 and 15 working days; TN 3 working and 15 calendar days.
    """
    clock = ticket_clock(MONDAY, STARTER_RULES[state], weekday)

    assert (clock.earliest_dig, clock.expires_on) == (dig_on, last_day)


def test_a_calendar_without_working_days_is_refused():
    with pytest.raises(ValueError, match="no working day"):
        earliest_dig_date(MONDAY, rule(), lambda day: False)
