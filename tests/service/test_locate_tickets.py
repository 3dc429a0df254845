"""Locate rules as the office corrects them, digs in the plan, and warnings before they bite."""

from datetime import date, datetime, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from contractor.trade.locate import STARTER_RULES
from inspections.models import LocateRule, LocateTicket, TicketResponse
from inspections.selectors.locate import (
    TicketWarning,
    WarningKind,
    locate_rules,
    open_holds,
    reckoned,
    ticket_warnings,
)
from jobs.models import Booking, Job, Plan
from jobs.selectors.hold_facts import Clears, HoldKind
from jobs.services.dumping import dump
from jobs.services.loading import load
from jobs.services.planning import plan_now
from tests.factories import LocateTicketFactory
from tests.service.api import book, make_plan, reader
from tests.service.portfolio import MONDAY, ZONE, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


def june(day: int, hour: int = 8) -> datetime:
    return datetime(2026, 6, day, hour, tzinfo=ZONE)


def ticket(job: Job, first: int, last: int, **columns: Any) -> LocateTicket:
    """Return a ticket that covers these days of June."""
    days = {"dig_from": date(2026, 6, first), "expires_on": date(2026, 6, last)}
    return LocateTicketFactory(job=job, called_on=date(2026, 5, 28), **days, **columns)


def dig_day(now: datetime = MONDAY) -> date:
    """Return the day on which a new draft begins to dig."""
    plan = plan_now(now=now, budget_seconds=0)
    return Booking.objects.get(plan=plan, phase__code="DIG").starts_at.astimezone(ZONE).date()


def booked_dig(job: Job, start: datetime, hours: float = 4, **plan: Any) -> Plan:
    made = make_plan(**plan)
    book(made, job, "DIG", start=start, hours=hours, crew=None)  # type: ignore[arg-type]
    return made


def only_warning(now: datetime = MONDAY) -> TicketWarning:
    (warning,) = ticket_warnings(now=now)
    return warning


def test_the_office_begins_with_the_starter_rules():
    assert locate_rules() == dict(STARTER_RULES)
    assert set(LocateRule.objects.values_list("state", flat=True)) == set(STARTER_RULES)


def test_a_state_without_a_row_keeps_its_starter_rule():
    LocateRule.objects.filter(state="OH").delete()

    assert locate_rules()["OH"] == STARTER_RULES["OH"]


def test_the_plan_reads_the_rule_that_the_office_corrected():
    make_firm()
    make_job()
    by_starter = dig_day()

    LocateRule.objects.filter(state="OH").update(
        notice_hours=0,
        notice_working_days=5,
        count_from_next_day=True,
        source="told by the call center",
    )

    # Monday's call, five working days from Tuesday on: the first day after the next Monday.
    assert by_starter == date(2026, 6, 4)
    assert dig_day() == date(2026, 6, 9)


def test_a_ticket_that_opens_later_is_taken_before_one_that_could_be_called():
    make_firm()
    ticket(make_job(), 10, 20)

    assert dig_day() == date(2026, 6, 10)


def test_a_renewal_covers_what_the_ticket_is_too_short_for():
    make_firm()
    job = make_job()
    ticket(job, 1, 1)
    job.phases.filter(code="DIG").update(office_hours=60)

    assert dig_day() >= date(2026, 6, 4)


def test_tickets_without_a_gap_carry_one_dig():
    make_firm()
    job = make_job()
    ticket(job, 1, 2)
    ticket(job, 3, 12)
    job.phases.filter(code="DIG").update(office_hours=60)

    assert dig_day() <= date(2026, 6, 2)


def test_a_ticket_dies_on_the_last_day_to_begin():
    make_firm()
    LocateRule.objects.filter(state="OH").update(must_start_days=2)
    ticket(make_job(), 1, 30)

    # On Wednesday the two days to begin are over: a renewal called then opens on Saturday.
    assert dig_day(june(3, 6)) == date(2026, 6, 8)


@pytest.mark.parametrize("answer", ["NOT_YET", "CONFLICT"])
def test_a_utility_that_is_not_ready_keeps_the_crew_from_digging(answer: str):
    make_firm()
    row = ticket(make_job(), 1, 30)
    TicketResponse.objects.create(ticket=row, utility="Gas", answer=answer, viewed_at=MONDAY)

    assert dig_day() == date(2026, 6, 2)


def test_where_answers_must_be_read_nobody_digs_before():
    make_firm()
    LocateRule.objects.filter(state="OH").update(must_view_response=True)
    row = ticket(make_job(), 1, 30)
    before = dig_day()

    TicketResponse.objects.create(ticket=row, utility="Gas", answer="MARKED", viewed_at=MONDAY)

    assert (before, dig_day()) == (date(2026, 6, 2), date(2026, 6, 1))


def test_the_same_facts_at_a_later_hour_give_the_same_windows():
    make_firm()
    make_job()

    assert dig_day(june(1, 6)) == dig_day(june(1, 16))


@pytest.mark.parametrize("status", ["PUBLISHED", "DRAFT"])
def test_a_booking_past_the_expiry_is_told_with_the_day_to_call(status: str):
    make_firm()
    job = make_job()
    row = ticket(job, 1, 12, number="T-1")
    plan = booked_dig(job, june(12), hours=80, status=status)

    warning = only_warning()

    assert (warning.kind, warning.plan, warning.ticket) == (WarningKind.RUNS_PAST, plan, row)
    # 48 hours of working days before Saturday the 13th: Thursday and Friday.
    assert warning.call_by == date(2026, 6, 10)
    assert "past Fri Jun 12, 2026, the last day of T-1" in warning.words
    assert "Call by Wed Jun 10, 2026." in warning.words


def test_a_renewal_in_time_ends_the_warning():
    make_firm()
    job = make_job()
    old = ticket(job, 1, 12)
    booked_dig(job, june(12), hours=80)

    ticket(job, 13, 30, renewed_from=old)

    assert ticket_warnings(now=MONDAY) == []


def test_a_day_to_call_that_has_passed_is_told_with_what_a_call_today_gives():
    make_firm()
    job = make_job()
    ticket(job, 1, 12)
    booked_dig(job, june(12), hours=80)

    warning = only_warning(june(12, 6))

    assert "The day to call was Wed Jun 10, 2026" in warning.words
    # Called on Friday: Monday and Tuesday are the 48 hours.
    assert "digging is legal from Wed Jun 17, 2026" in warning.words


def test_a_dig_without_a_ticket_is_told_a_week_before_the_call():
    make_firm()
    booked_dig(make_job(), june(17))

    assert ticket_warnings(now=MONDAY) == []
    warning = only_warning(june(8))
    assert (warning.kind, warning.call_by) == (WarningKind.NO_TICKET, date(2026, 6, 12))


def test_an_expired_ticket_is_as_good_as_none():
    make_firm()
    job = make_job()
    LocateTicketFactory(
        job=job,
        called_on=date(2026, 5, 4),
        dig_from=date(2026, 5, 7),
        expires_on=date(2026, 5, 29),
    )
    booked_dig(job, june(17))

    assert ticket_warnings(now=MONDAY) == []
    assert only_warning(june(8)).kind is WarningKind.NO_TICKET


def test_a_dig_booked_before_its_ticket_opens_is_told():
    make_firm()
    job = make_job()
    ticket(job, 10, 20)
    booked_dig(job, june(5))

    assert only_warning().kind is WarningKind.BEFORE_TICKET


def test_a_dig_booked_after_the_last_day_to_begin_is_told():
    make_firm()
    LocateRule.objects.filter(state="OH").update(must_start_days=5)
    job = make_job()
    ticket(job, 1, 20)
    booked_dig(job, june(9))

    assert only_warning().kind is WarningKind.STARTS_TOO_LATE


def test_answers_still_to_be_read_are_told_four_working_days_ahead():
    make_firm()
    LocateRule.objects.filter(state="OH").update(must_view_response=True)
    job = make_job()
    ticket(job, 1, 20)
    booked_dig(job, june(10))

    assert ticket_warnings(now=june(3)) == []
    assert only_warning(june(4)).kind is WarningKind.NOT_ANSWERED


def test_a_dig_that_rests_too_long_is_told_before_the_ticket_is_lost():
    make_firm()
    LocateRule.objects.filter(state="OH").update(idle_limit_days=10)
    job = make_job()
    ticket(job, 1, 30)
    job.phases.filter(code="DIG").update(
        status="UNDER_WAY", started_at=june(1), share_done=0.5, share_at=june(2)
    )

    assert ticket_warnings(now=june(5)) == []
    assert only_warning(june(9)).kind is WarningKind.IDLE


def test_a_ticket_that_runs_out_before_its_dig_has_dates_is_told():
    make_firm()
    ticket(make_job(), 1, 12)

    assert ticket_warnings(now=june(5)) == []
    assert only_warning(june(8)).kind is WarningKind.RUNS_OUT


def test_a_finished_dig_needs_no_ticket():
    make_firm()
    job = make_job()
    booked_dig(job, june(3))
    job.phases.filter(code="DIG").update(status="DONE", started_at=june(1), done_at=june(1, 12))

    assert ticket_warnings(now=MONDAY) == []


def test_warnings_take_as_many_queries_for_many_digs_as_for_one(django_assert_max_num_queries):
    make_firm()
    plan = make_plan()
    for number in range(4):
        job = make_job()
        ticket(job, 1, 5)
        book(plan, job, "DIG", start=june(9 + number), hours=4, crew=None)  # type: ignore[arg-type]

    with django_assert_max_num_queries(11):
        assert len(ticket_warnings(now=MONDAY)) == 4


def test_a_call_on_a_friday_after_hours_is_reckoned_from_monday():
    LocateRule.objects.filter(state="OH").update(call_by="16:00")

    clocks = [
        reckoned(state="OH", called_at=datetime(2026, 6, 5, *at, tzinfo=ZONE))
        for at in ((15, 59), (16, 1))
    ]

    # Whole days: Monday and Tuesday count in both, as the rest of Friday never does.
    assert [clock.earliest_dig for clock in clocks if clock] == [date(2026, 6, 10)] * 2
    assert [clock.expires_on for clock in clocks if clock] == [date(2026, 6, 19), date(2026, 6, 20)]


def facts_of(job: Job, now: datetime = MONDAY) -> dict[HoldKind, Any]:
    jobs = Job.objects.prefetch_related("locate_tickets__responses", "phases")
    return {fact.kind: fact for fact in open_holds([jobs.get(pk=job.pk)], now)}


def test_a_dig_without_a_ticket_is_a_hold_that_the_office_clears():
    fact = facts_of(make_job())[HoldKind.LOCATE]

    assert (fact.phase_code, fact.clears, fact.is_open) == ("DIG", Clears.OFFICE, True)
    assert fact.expected_on == date(2026, 6, 4)


def test_a_ticket_holds_until_its_first_day_and_is_then_cleared():
    job = make_job()
    ticket(job, 3, 12)

    before, after = facts_of(job), facts_of(job, june(3))

    assert before[HoldKind.LOCATE].expected_on == date(2026, 6, 3)
    assert before[HoldKind.LOCATE].is_open
    assert after[HoldKind.LOCATE].cleared_on == date(2026, 6, 3)
    assert before[HoldKind.LOCATE].what == after[HoldKind.LOCATE].what


def test_utilities_that_are_not_ready_are_named_as_those_who_clear():
    job = make_job()
    row = ticket(job, 1, 12)
    for utility, answer in (("Gas", "NOT_YET"), ("Power", "MARKED")):
        TicketResponse.objects.create(ticket=row, utility=utility, answer=answer, viewed_at=MONDAY)

    fact = facts_of(job)[HoldKind.POSITIVE_RESPONSE]

    assert (fact.clears, fact.who, fact.is_open) == (Clears.UTILITY, "Gas", True)
    assert "Gas: not yet; Power: marked" in fact.what


def test_the_ticket_list_tells_warnings_and_a_new_ticket_is_filled_in(client: Client, office: Any):
    make_firm()
    job = make_job()
    booked_dig(job, june(3))
    client.force_login(office)

    page = client.get(reverse("admin:inspections_locateticket_changelist")).content.decode()
    form = client.get(reverse("admin:inspections_locateticket_add"), {"job": job.pk})

    assert "no locate ticket is live or called" in page
    initial = form.context["adminform"].form.initial
    assert (initial["called_on"], initial["dig_from"]) == (date(2026, 6, 1), date(2026, 6, 4))


def test_the_inspection_desk_tells_warnings_too(client: Client, office: Any):
    make_firm()
    booked_dig(make_job(), june(3))
    client.force_login(office)

    page = client.get(reverse("admin:inspections_inspection_desk")).content.decode()

    assert "no locate ticket is live or called" in page


def test_a_rule_is_refused_with_days_and_hours_together(client: Client, office: Any):
    client.force_login(office)
    row = LocateRule.objects.get(state="OH")

    page = client.post(
        reverse("admin:inspections_locaterule_change", args=[row.pk]),
        {
            "state": "OH",
            "source": "guess",
            "notice_working_days": 2,
            "notice_hours": 48,
            "life_days": 14,
        },
    ).content.decode()

    assert "Enter the notice in working days or in hours, not both." in page
    row.refresh_from_db()
    assert row.source != "guess"


def test_the_owner_reads_the_warnings(owner: Any):
    make_firm()
    job = make_job(number="26-700")
    booked_dig(job, june(3))

    (row,) = reader(owner).get("/api/v1/ticket-warnings/").json()["results"]

    assert (row["job"], row["kind"], row["call_by"]) == ("26-700", "NO_TICKET", "2026-05-29")


def test_a_stranger_sees_no_rules(client: Client, stranger: Any):
    client.force_login(stranger)

    response = client.get(reverse("admin:inspections_locaterule_changelist"))

    assert response.status_code == 302


def test_tickets_load_with_the_ticket_that_they_renew(tmp_path: Any):
    job = make_job(number="26-701")
    old = ticket(job, 1, 12, number="T-1")
    ticket(job, 13, 20, number="T-2", renewed_from=old)
    dump(directory=tmp_path, kinds=["tickets"])
    LocateTicket.objects.all().delete()

    load(paths=[tmp_path / "tickets.csv"], now=MONDAY + timedelta(days=30))

    assert LocateTicket.objects.get(number="T-2").renewed_from.number == "T-1"
