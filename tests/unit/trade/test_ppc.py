"""Percent plan complete."""

from datetime import date

from contractor.trade.ppc import Promise, monday_of, tally, weeks

MONDAY = date(2026, 6, 1)
WEDNESDAY = date(2026, 6, 3)
SUNDAY = date(2026, 6, 7)


def promise(crew: str = "A", *, done_on: date | None = None, cause: str = "") -> Promise:
    return Promise(monday=MONDAY, crew=crew, due_on=WEDNESDAY, done_on=done_on, cause=cause)


def test_a_promise_is_kept_on_its_day_and_not_a_day_later() -> None:
    assert promise(done_on=WEDNESDAY).is_kept
    assert not promise(done_on=date(2026, 6, 4)).is_kept


def test_what_is_due_today_is_not_missed_yet() -> None:
    assert not promise().is_decided(WEDNESDAY)
    assert promise().is_decided(date(2026, 6, 4))


def test_what_is_done_before_its_day_counts_at_once() -> None:
    assert promise(done_on=MONDAY).is_decided(MONDAY)


def test_nothing_promised_is_no_percentage() -> None:
    assert tally([]).percent is None


def test_causes_come_most_frequent_first() -> None:
    rows = [promise(cause=cause) for cause in ("CREW", "WEATHER", "", "WEATHER")]

    assert tally(rows).causes == (("WEATHER", 2), ("", 1), ("CREW", 1))


def test_the_cause_of_a_kept_promise_does_not_count() -> None:
    assert tally([promise(done_on=WEDNESDAY, cause="WEATHER")]).causes == ()


def test_a_week_is_told_for_the_firm_and_by_crew() -> None:
    rows = [promise("B"), promise("A", done_on=WEDNESDAY), promise("B", done_on=WEDNESDAY)]

    (week,) = weeks(rows, today=SUNDAY)

    assert (week.firm.kept, week.firm.made) == (2, 3)
    assert {crew: found.percent for crew, found in week.crews.items()} == {"A": 100, "B": 50}


def test_weeks_come_in_order_and_empty_ones_not_at_all() -> None:
    later = Promise(date(2026, 6, 15), "A", date(2026, 6, 16), None)

    found = weeks([later, promise()], today=date(2026, 7, 1))

    assert [week.monday for week in found] == [MONDAY, date(2026, 6, 15)]


def test_the_week_begins_on_monday() -> None:
    assert monday_of(SUNDAY) == monday_of(MONDAY) == MONDAY
