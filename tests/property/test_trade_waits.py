"""What stays true of waits: cold never helps, asking later never brings a visit sooner."""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from contractor.trade.cure import CureClock, age_hours_for_share, strength_share
from contractor.trade.locate import LocateRule, earliest_dig_date, ticket_clock
from contractor.trade.notice import NoticeRule, first_visit, request_by
from contractor.trade.warranty import workmanship_ends_on
from tests.curing import hours_to_strength
from tests.forward_rules import earliest_visit

SHARES = st.floats(0.05, 0.9)
CEMENTS = st.sampled_from(["I", "III"])
WEATHER = st.lists(st.floats(-20, 35), min_size=48, max_size=48)
DAYS = st.dates(date(2025, 1, 1), date(2028, 12, 31))
# Every pattern of open weekdays that has at least one open day.
OPEN_WEEKDAYS = st.frozensets(st.integers(0, 6), min_size=1)
ZONES = st.sampled_from(["America/New_York", "America/Phoenix", "America/Denver"])


@settings(max_examples=100, deadline=None)
@given(SHARES, CEMENTS, WEATHER, st.floats(0, 15))
def test_colder_weather_never_cures_faster(share, cement, weather, colder_degc):
    warm = np.resize(np.array([*weather, 20.0]), 20_000)

    warm_ready = CureClock(warm).ready_hour(0, share, cement)
    cold_ready = CureClock(warm - colder_degc).ready_hour(0, share, cement)

    assert warm_ready is not None
    assert cold_ready is None or cold_ready >= warm_ready


@settings(max_examples=100, deadline=None)
@given(SHARES, CEMENTS, WEATHER, st.floats(0, 500), st.floats(0, 100))
def test_pouring_later_is_never_ready_sooner(share, cement, weather, pour_hour, later_hours):
    clock = CureClock(np.resize(np.array([*weather, 20.0]), 20_000))

    first = clock.ready_hour(pour_hour, share, cement, 24)
    second = clock.ready_hour(pour_hour + later_hours, share, cement, 24)

    assert first is not None
    assert second is not None
    assert pour_hour + 24 <= first <= second + 1e-9


@settings(max_examples=100, deadline=None)
@given(SHARES, CEMENTS, st.floats(0.5, 35))
def test_the_share_is_reached_in_the_hour_told_and_not_in_the_one_before(share, cement, degc):
    temps = [degc] * 12_000

    hours = int(hours_to_strength(share=share, cement=cement, temps_degc_by_hour=temps))

    clock = CureClock(temps)
    needed = age_hours_for_share(share=share, cement=cement)
    assert clock.age_hours(hours) >= needed - 1e-5
    assert clock.age_hours(hours - 1) < needed


@settings(max_examples=100, deadline=None)
@given(st.floats(0, 100), st.floats(0, 100), CEMENTS)
def test_strength_never_falls_with_age(age, more, cement):
    young = strength_share(age_days_at_20c=age, cement=cement)

    assert strength_share(age_days_at_20c=age + more, cement=cement) >= young


@st.composite
def notice_rules(draw: st.DrawFn) -> NoticeRule:
    edges = draw(st.lists(st.integers(6, 18), min_size=2, max_size=4, unique=True).map(sorted))
    pairs = list(zip(edges[::2], edges[1::2], strict=False))
    hours = draw(st.none() | st.integers(0, 100))
    return NoticeRule(
        cutoff=time(draw(st.integers(0, 23)), draw(st.sampled_from([0, 30]))),
        notice_working_days=draw(st.integers(0, 5)) if hours is None else 0,
        windows=tuple((time(start), time(end)) for start, end in pairs),
        notice_hours=hours,
    )


@settings(max_examples=100, deadline=None)
@given(
    notice_rules(), DAYS, st.integers(0, 24 * 60 - 1), st.integers(0, 20_000), OPEN_WEEKDAYS, ZONES
)
def test_a_later_request_never_gets_an_earlier_visit(rule, day, minute, later, open_days, zone):
    asked_at = datetime.combine(day, time(minute // 60, minute % 60), tzinfo=ZoneInfo(zone))
    asked_later = asked_at + timedelta(minutes=later)

    def is_open(on: date) -> bool:
        return on.weekday() in open_days

    start, end = earliest_visit(asked_at=asked_at, rule=rule, is_working_day=is_open)
    assert first_visit(asked_at=asked_at, rule=rule, is_working_day=is_open) == (start, end)
    later_start, _ = earliest_visit(asked_at=asked_later, rule=rule, is_working_day=is_open)

    assert asked_at.timestamp() <= start.timestamp() <= later_start.timestamp()
    assert start < end
    assert is_open(start.date())
    assert (start.time(), end.time()) in rule.windows


@settings(max_examples=200, deadline=None)
@given(notice_rules(), DAYS, st.integers(0, 24 * 60 - 1), OPEN_WEEKDAYS, ZONES)
def test_the_last_moment_to_ask_reaches_the_visit_and_a_moment_later_does_not(
    rule, day, minute, open_days, zone
):
    asked_at = datetime.combine(day, time(minute // 60, minute % 60), tzinfo=ZoneInfo(zone))

    def is_open(on: date) -> bool:
        return on.weekday() in open_days

    def first_from(moment: datetime) -> datetime:
        start, _ = earliest_visit(asked_at=moment, rule=rule, is_working_day=is_open)
        return start

    visit_from = first_from(asked_at)
    by = request_by(visit_from=visit_from, rule=rule, is_working_day=is_open)

    assert asked_at.timestamp() <= by.timestamp() <= visit_from.timestamp()
    assert first_from(by).timestamp() <= visit_from.timestamp()
    later = (by.astimezone(UTC) + timedelta(seconds=1)).astimezone(by.tzinfo)
    assert first_from(later).timestamp() > visit_from.timestamp()
    cutoff = datetime.combine(by.date(), rule.cutoff, tzinfo=by.tzinfo)
    assert by.timestamp() <= cutoff.timestamp()


@settings(max_examples=100, deadline=None)
@given(notice_rules(), DAYS, st.integers(0, 23), st.integers(1, 60), OPEN_WEEKDAYS, ZONES)
def test_more_notice_never_brings_a_visit_sooner_nor_a_later_last_moment(
    rule, day, hour, more, open_days, zone
):
    asked_at = datetime.combine(day, time(hour), tzinfo=ZoneInfo(zone))

    def is_open(on: date) -> bool:
        return on.weekday() in open_days

    longer = (
        replace(rule, notice_working_days=min(60, rule.notice_working_days + more))
        if rule.notice_hours is None
        else replace(rule, notice_hours=rule.notice_hours + more)
    )
    start, _ = earliest_visit(asked_at=asked_at, rule=rule, is_working_day=is_open)
    start_longer, _ = earliest_visit(asked_at=asked_at, rule=longer, is_working_day=is_open)
    by = request_by(visit_from=start, rule=rule, is_working_day=is_open)
    by_longer = request_by(visit_from=start, rule=longer, is_working_day=is_open)

    assert start.timestamp() <= start_longer.timestamp()
    assert by_longer.timestamp() <= by.timestamp()


@settings(max_examples=100, deadline=None)
@given(
    st.builds(
        LocateRule,
        state=st.just("ZZ"),
        notice_working_days=st.integers(1, 10),
        count_from_next_day=st.booleans(),
        life_days=st.integers(5, 60),
        life_in_working_days=st.booleans(),
        life_from_dig_date=st.booleans(),
        must_start_days=st.none() | st.integers(1, 30),
    ),
    DAYS,
    st.integers(0, 30),
    OPEN_WEEKDAYS,
)
def test_ticket_dates_keep_their_order(rule, called_on, later, open_days):
    def is_open(on: date) -> bool:
        return on.weekday() in open_days

    clock = ticket_clock(called_on, rule, is_open)
    later_dig = earliest_dig_date(called_on + timedelta(days=later), rule, is_open)

    assert clock.earliest_dig > called_on
    assert clock.earliest_dig <= later_dig
    assert clock.renew_by < clock.expires_on + timedelta(days=1)
    renewed = earliest_dig_date(clock.renew_by, rule, is_open)
    assert renewed <= clock.expires_on + timedelta(days=1)


@settings(max_examples=100, deadline=None)
@given(DAYS, st.integers(1, 50))
def test_a_warranty_ends_on_the_same_month_of_its_last_year(completed_on, years):
    ends_on = workmanship_ends_on(completed_on, years)

    assert (ends_on.year, ends_on.month) == (completed_on.year + years, completed_on.month)
    assert completed_on.day - 1 <= ends_on.day <= completed_on.day
