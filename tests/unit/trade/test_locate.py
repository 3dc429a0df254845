from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from contractor.engine.worktime import public_holidays
from contractor.trade.locate import (
    STARTER_RULES,
    Answer,
    LocateRule,
    call_by_date,
    covered_spans,
    earliest_dig_date,
    expires_on,
    first_uncovered_date,
    may_dig,
    must_start_by,
    renew_by,
    ticket_clock,
    warn_from,
)
from tests.forward_rules import earliest_dig_at

EASTERN = ZoneInfo("America/New_York")
OHIO_HOLIDAYS = public_holidays(country="US", subdiv="OH", years=[2026, 2027])


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
    dig_from, expires = date(2026, 6, 5), date(2026, 6, 22)

    assert must_start_by(dig_from, expires, rule()) is None
    assert must_start_by(dig_from, expires, rule(must_start_days=14)) == date(2026, 6, 18)
    assert must_start_by(dig_from, expires, rule(must_start_days=90)) == expires


def test_a_renewal_called_on_its_last_day_leaves_no_gap():
    clock = ticket_clock(MONDAY, rule(), weekday)

    renewed = earliest_dig_date(clock.renew_by, rule(), weekday)
    too_late = earliest_dig_date(date(2026, 6, 18), rule(), weekday)

    assert clock.renew_by == date(2026, 6, 17)
    assert renewed <= date(2026, 6, 23) < too_late


def test_renewal_comes_before_the_ticket_runs_out():
    assert renew_by(date(2026, 6, 22), rule(), weekday) < date(2026, 6, 22)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("notice_working_days", 0),
        ("notice_hours", 48),
        ("life_days", 0),
        ("must_start_days", 0),
        ("idle_limit_days", 0),
    ],
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


def ohio_day(day: date) -> bool:
    return weekday(day) and day not in OHIO_HOLIDAYS


def at(day: str, hour: str) -> datetime:
    return datetime.fromisoformat(f"{day}T{hour}").replace(tzinfo=EASTERN)


HOURS = {"notice_working_days": 0, "notice_hours": 48, "count_from_next_day": False}


@pytest.mark.parametrize(
    ("called", "legal"),
    [
        # Friday afternoon: 8 h of Friday or less, all of Monday, and the rest on Tuesday.
        (at("2026-06-05", "15:59"), at("2026-06-09", "15:59")),
        (at("2026-06-05", "16:01"), at("2026-06-09", "16:01")),
        # On a Saturday the hours begin with Monday.
        (at("2026-06-06", "10:00"), at("2026-06-10", "00:00")),
        # The day before Thanksgiving, Nov 26: Wednesday and Friday, then Monday.
        (at("2026-11-25", "12:00"), at("2026-11-30", "12:00")),
        # Over the year's end: New Year's Day is a Friday.
        (at("2026-12-31", "09:00"), at("2027-01-05", "09:00")),
        # Over the weekends of the clock changes, Mar 8 and Nov 1: hours of the wall clock.
        (at("2026-03-06", "10:00"), at("2026-03-10", "10:00")),
        (at("2026-10-30", "10:00"), at("2026-11-03", "10:00")),
    ],
)
def test_forty_eight_hours_run_on_working_days_only(called, legal):
    """
    Source: Ohio's rule of 48 hours without weekends and holidays, as its call center tells it;
    holidays by the `holidays` library; hours counted by hand.
    """
    assert earliest_dig_at(called, rule(**HOURS), ohio_day) == legal


@pytest.mark.parametrize("called", [at("2026-06-05", "15:59"), at("2026-12-31", "23:45")])
def test_a_plan_by_days_is_never_before_the_hours_are_over(called):
    here = rule(**HOURS)
    day = earliest_dig_date(called.date(), here, ohio_day)

    legal = earliest_dig_at(called, here, ohio_day)

    assert legal <= datetime.combine(day, time(), tzinfo=EASTERN) < legal + timedelta(days=1)


def test_an_hours_notice_of_part_of_a_day_takes_a_whole_one():
    assert rule(notice_working_days=0, notice_hours=30).notice_days == 2


@pytest.mark.parametrize(
    ("hour", "legal"), [("18:00", at("2026-06-10", "00:00")), ("18:01", at("2026-06-10", "00:00"))]
)
def test_on_a_friday_a_call_after_the_hour_counts_as_saturdays(hour, legal):
    """Both begin with Monday: Saturday counts no more than what is left of Friday."""
    here = rule(notice_working_days=2, call_by=time(18))

    assert earliest_dig_at(at("2026-06-05", hour), here, weekday) == legal


@pytest.mark.parametrize(
    ("hour", "legal"), [("18:00", at("2026-06-04", "00:00")), ("18:01", at("2026-06-05", "00:00"))]
)
def test_a_call_after_the_hour_counts_as_made_the_next_day(hour, legal):
    here = rule(notice_working_days=2, call_by=time(18))

    assert earliest_dig_at(at("2026-06-01", hour), here, weekday) == legal


def test_the_last_day_to_call_is_the_last_that_is_early_enough():
    dig_on = date(2026, 6, 12)
    call = call_by_date(dig_on, rule(), weekday)

    assert earliest_dig_date(call, rule(), weekday) <= dig_on
    assert earliest_dig_date(call + timedelta(days=1), rule(), weekday) > dig_on


def test_nobody_is_told_to_call_on_a_sunday():
    """Two working days before Wednesday Jun 10 begin with Monday: a call on Sunday would do."""
    here = rule(notice_working_days=2)

    assert earliest_dig_date(date(2026, 6, 7), here, weekday) == date(2026, 6, 10)
    assert call_by_date(date(2026, 6, 10), here, weekday) == date(2026, 6, 5)


def test_the_day_to_call_reaches_over_thanksgiving():
    """Monday Nov 30 with three working days: Fri, Wed, Tue, so the call is on Monday Nov 23."""
    assert call_by_date(date(2026, 11, 30), rule(), ohio_day) == date(2026, 11, 23)


def test_renewal_is_told_four_working_days_ahead():
    assert warn_from(date(2026, 6, 19), weekday) == date(2026, 6, 15)
    assert warn_from(date(2026, 11, 30), ohio_day) == date(2026, 11, 23)


def test_tickets_that_follow_without_a_gap_cover_as_one():
    june = [date(2026, 6, day) for day in range(1, 31)]

    assert covered_spans([(june[9], june[19]), (june[0], june[8])]) == [(june[0], june[19])]
    assert covered_spans([(june[0], june[8]), (june[10], june[19])]) == [
        (june[0], june[8]),
        (june[10], june[19]),
    ]


def test_the_first_day_without_cover_is_found():
    spans = [(date(2026, 6, 1), date(2026, 6, 5)), (date(2026, 6, 6), date(2026, 6, 9))]

    assert first_uncovered_date(spans, date(2026, 6, 4), date(2026, 6, 9)) is None
    assert first_uncovered_date(spans, date(2026, 6, 8), date(2026, 6, 12)) == date(2026, 6, 10)
    assert first_uncovered_date(spans, date(2026, 5, 29), date(2026, 6, 2)) == date(2026, 5, 29)
    assert first_uncovered_date([], date(2026, 6, 2), date(2026, 6, 2)) == date(2026, 6, 2)


@pytest.mark.parametrize(
    ("answers", "must_view", "allowed"),
    [
        ([], False, True),
        ([], True, False),
        ([Answer.CLEAR, Answer.MARKED], True, True),
        ([Answer.CLEAR, Answer.NOT_YET], False, False),
        (["CONFLICT"], False, False),
    ],
)
def test_answers_allow_digging_only_when_all_are_clear_or_marked(answers, must_view, allowed):
    assert may_dig(answers, rule(must_view_response=must_view)) is allowed


@pytest.mark.parametrize("state", ["IN", "IL"])
def test_states_that_want_the_positive_response_viewed(state):
    """Source: their one-call laws in force since 2025 and 2026, as published."""
    assert STARTER_RULES[state].must_view_response
