"""Locate tickets: no window for digging outside a live one, and no date sooner for more notice."""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from contractor.engine.worktime import SLOTS_PER_DAY, Axis, public_holidays
from contractor.trade.locate import (
    Answer,
    LocateRule,
    call_by_date,
    covered_spans,
    earliest_dig_date,
    first_uncovered_date,
    may_dig,
)
from jobs.services.calendars import Calendars
from jobs.services.holds import dig_windows
from tests.forward_rules import earliest_dig_at

ZONE = ZoneInfo("America/New_York")
HOLIDAYS = public_holidays(country="US", subdiv="OH", years=range(2026, 2030))
DAYS = st.dates(date(2026, 1, 1), date(2028, 12, 31))
MOMENTS = st.builds(
    lambda day, minute: datetime.combine(day, time(), tzinfo=ZONE) + timedelta(minutes=minute),
    DAYS,
    st.integers(0, 24 * 60 - 1),
)
CALL_BY = st.none() | st.times(time(6), time(20))


def ohio_day(day: date) -> bool:
    return day.weekday() < 5 and day not in HOLIDAYS


def rules() -> st.SearchStrategy[LocateRule]:
    """Return rules by working days and by hours, with every kind of life."""
    notice = st.one_of(
        st.builds(lambda days: {"notice_working_days": days}, st.integers(1, 10)),
        st.builds(
            lambda hours, later: {"notice_hours": hours, "count_from_next_day": later},
            st.integers(1, 120),
            st.booleans(),
        ),
    )
    rest = st.fixed_dictionaries(
        {
            "call_by": CALL_BY,
            "life_days": st.integers(5, 40),
            "life_in_working_days": st.booleans(),
            "life_from_dig_date": st.booleans(),
            "must_start_days": st.none() | st.integers(1, 20),
            "must_view_response": st.booleans(),
        }
    )
    return st.builds(lambda first, second: LocateRule(state="OH", **first, **second), notice, rest)


@settings(max_examples=150, deadline=None)
@given(rules(), MOMENTS, st.integers(0, 5 * 24 * 60))
def test_a_later_call_never_lets_anyone_dig_sooner(rule, called_at, later_minutes):
    later = (called_at.astimezone(UTC) + timedelta(minutes=later_minutes)).astimezone(ZONE)

    assert called_at < earliest_dig_at(called_at, rule, ohio_day)
    assert earliest_dig_at(called_at, rule, ohio_day) <= earliest_dig_at(later, rule, ohio_day)


@settings(max_examples=150, deadline=None)
@given(rules(), MOMENTS, st.integers(1, 60))
def test_more_notice_never_lets_anyone_dig_sooner(rule, called_at, more):
    if rule.notice_hours:
        longer = replace(rule, notice_hours=rule.notice_hours + more)
    else:
        longer = replace(rule, notice_working_days=min(15, rule.notice_working_days + more))

    assert earliest_dig_at(called_at, rule, ohio_day) <= earliest_dig_at(
        called_at, longer, ohio_day
    )
    assert earliest_dig_date(called_at.date(), rule, ohio_day) <= earliest_dig_date(
        called_at.date(), longer, ohio_day
    )


@settings(max_examples=150, deadline=None)
@given(rules(), MOMENTS)
def test_a_plan_by_whole_days_is_never_before_the_moment_itself(rule, called_at):
    in_time = replace(rule, call_by=None)
    planned = earliest_dig_date(called_at.date(), in_time, ohio_day)

    assert earliest_dig_at(called_at, in_time, ohio_day).date() <= planned


@settings(max_examples=150, deadline=None)
@given(rules(), DAYS)
def test_the_day_to_call_is_the_last_that_is_early_enough(rule, dig_on):
    call = call_by_date(dig_on, rule, ohio_day)

    later = [call + timedelta(days=n) for n in range(1, (dig_on - call).days)]

    assert ohio_day(call)
    assert earliest_dig_date(call, rule, ohio_day) <= dig_on
    assert all(earliest_dig_date(day, rule, ohio_day) > dig_on for day in later if ohio_day(day))


def spans() -> st.SearchStrategy[list[tuple[date, date]]]:
    one = st.builds(
        lambda first, length: (
            date(2026, 6, 1) + timedelta(days=first),
            date(2026, 6, 1) + timedelta(days=first + length),
        ),
        st.integers(-20, 40),
        st.integers(0, 20),
    )
    return st.lists(one, max_size=5)


@settings(max_examples=150, deadline=None)
@given(spans(), st.integers(-30, 70), st.integers(0, 20))
def test_cover_is_the_days_of_the_tickets_and_no_other(tickets, start, length):
    first = date(2026, 6, 1) + timedelta(days=start)
    days = [first + timedelta(days=n) for n in range(length + 1)]

    bare = [day for day in days if not any(a <= day <= b for a, b in tickets)]

    assert first_uncovered_date(tickets, days[0], days[-1]) == (bare[0] if bare else None)
    merged = covered_spans(tickets)
    assert bare == [day for day in days if not any(a <= day <= b for a, b in merged)]


def job_with(tickets: list[tuple[date, date, list[str]]]) -> Any:
    """Return a job as the planner reads it, with tickets and what was answered to each."""
    rows = [
        SimpleNamespace(
            pk=number,
            number=f"T-{number}",
            dig_from=first,
            expires_on=last,
            responses=SimpleNamespace(all=lambda answers=answers: _answers(answers)),
        )
        for number, (first, last, answers) in enumerate(tickets)
    ]
    return SimpleNamespace(site_state="OH", locate_tickets=SimpleNamespace(all=lambda: rows))


def _answers(answers: list[str]) -> list[Any]:
    return [
        SimpleNamespace(utility=f"U{n}", answer=a, get_answer_display=lambda a=a: a)
        for n, a in enumerate(answers)
    ]


@settings(max_examples=150, deadline=None)
@given(
    rules(),
    spans(),
    st.lists(st.lists(st.sampled_from(list(Answer)), max_size=2), min_size=5, max_size=5),
    st.integers(0, 30 * SLOTS_PER_DAY),
)
def test_no_window_for_digging_lies_outside_a_live_ticket(rule, found, answers, now):
    axis = Axis(origin=datetime(2026, 6, 1, tzinfo=ZONE), slots=200 * SLOTS_PER_DAY)
    calendars = Calendars(axis=axis, zone=ZONE, closed=frozenset())
    tickets = [(*span, given) for span, given in zip(found, answers, strict=False)]
    moment = calendars.local(now)

    windows, hold = dig_windows(
        job=job_with(tickets), code="DIG", calendars=calendars, now=now, rules={"OH": rule}
    )

    *covered, renewed = windows
    today = moment.date()
    for window in covered:
        day = max(calendars.local(window.opens).date(), today)
        while day < calendars.local(window.closes).date():
            assert any(
                first <= day <= last and (may_dig(given, rule) or day > today)
                for first, last, given in tickets
            )
            day += timedelta(days=1)
    renewed_on = calendars.local(renewed.opens).date()
    assert renewed_on >= earliest_dig_date(today, rule, ohio_day)
    assert all(window.closes <= renewed.opens for window in covered)
    assert [w.opens for w in windows] == sorted(w.opens for w in windows)
    assert (hold is None) == (windows[0].opens <= now)
