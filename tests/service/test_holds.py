"""Holds: one list for every door, with who can clear each and what a day of it costs."""

from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from crews.models import Crew, FeedEvent, Firm
from inspections.models import Inspection
from jobs.models import Delivery, Job, PlannedWait
from jobs.selectors.hold_facts import Clears, HoldKind
from jobs.selectors.holds import ShownHold, holds, told_to_crews
from jobs.services import planning, publishing
from tests.service.api import book, make_plan, reader
from tests.service.portfolio import MONDAY, ZONE, cover_digging, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


def june(day: int, hour: int = 8) -> datetime:
    return datetime(2026, 6, day, hour, tzinfo=ZONE)


def awaiting_trusses(promised: int = 8, **columns: Any) -> Job:
    """Return a job that waits for nothing but its trusses, promised for a day of June."""
    job = make_job(**columns)
    cover_digging(job)
    Delivery.objects.filter(job=job, item="TRUSSES").update(
        arrived_on=None, promised_on=date(2026, 6, promised), supplier="Ridgepole"
    )
    return job


def deliveries_held(**given: Any) -> list[ShownHold]:
    return [row for row in holds(now=MONDAY, **given) if row.fact.kind is HoldKind.DELIVERY]


def only_delivery() -> ShownHold:
    (hold,) = deliveries_held()
    return hold


def plan_of(job: Job, crew: Crew, *days: tuple[str, int]) -> Any:
    """Publish a plan of six hours for each of the phases, on these days of June."""
    plan = make_plan()
    for code, day in days:
        book(plan, job, code, start=june(day), hours=6, crew=crew)
    return plan


def test_a_hold_says_what_since_when_and_who_can_clear_it():
    make_firm()
    job = awaiting_trusses()
    Delivery.objects.filter(job=job, item="TRUSSES").update(ordered_on=date(2026, 5, 11))

    fact = only_delivery().fact

    assert (fact.phase_code, fact.what) == ("TRUSSES", "Trusses promised for Jun 8, 2026")
    assert (fact.since, fact.expected_on) == (date(2026, 5, 11), date(2026, 6, 8))
    assert (fact.clears, fact.who) == (Clears.SUPPLIER, "Ridgepole")


def test_what_nobody_has_ordered_is_for_the_office_to_clear():
    make_firm()
    job = awaiting_trusses()
    Delivery.objects.filter(job=job, item="TRUSSES").update(promised_on=None)

    assert only_delivery().fact.clears is Clears.OFFICE


def test_a_short_delivery_stays_a_hold_in_its_words():
    make_firm()
    job = awaiting_trusses(promised=17)
    Delivery.objects.filter(job=job, item="TRUSSES").update(
        arrived_on=date(2026, 6, 1), shortage="2 broken"
    )

    assert "arrived Jun 1, 2026 short or damaged (2 broken)" in only_delivery().fact.what


def test_cleared_holds_are_shown_only_when_asked_for():
    make_firm()
    awaiting_trusses()

    cleared = [row for row in deliveries_held(cleared=True) if not row.fact.is_open]

    assert all(row.fact.is_open for row in holds(now=MONDAY))
    assert {row.fact.cleared_on for row in cleared} == {date(2026, 5, 29)}
    assert {row.cost for row in cleared} == {None}


def test_an_agreed_date_and_a_permit_hold_the_first_phase():
    make_firm()
    job = make_job(earliest_start_on=date(2026, 6, 22))
    job.permit.issued_on, job.permit.expected_on = None, date(2026, 6, 15)
    job.permit.save()

    found = {row.fact.kind: row.fact for row in holds(now=MONDAY)}

    assert found[HoldKind.EARLIEST_DATE].clears is Clears.BUYER
    assert found[HoldKind.PERMIT].clears is Clears.AUTHORITY
    assert found[HoldKind.PERMIT].phase_code == found[HoldKind.EARLIEST_DATE].phase_code == "LAYOUT"


def facts_of(job: Job, kind: HoldKind) -> list[Any]:
    return [row.fact for row in holds(now=MONDAY, job=job) if row.fact.kind is kind]


def dig_is_done(job: Job) -> None:
    job.phases.filter(code__in=("LAYOUT", "DIG")).update(
        status="DONE", started_at=june(1, 4), done_at=june(1, 5), share_done=1
    )


def test_an_inspection_holds_what_follows_once_its_work_is_done():
    make_firm()
    job = make_job()
    before = facts_of(job, HoldKind.INSPECTION)

    dig_is_done(job)

    (fact,) = facts_of(job, HoldKind.INSPECTION)
    assert before == []
    assert (fact.phase_code, fact.clears) == ("POSTS", Clears.OFFICE)
    assert fact.what == "Hole inspection not asked for"


@pytest.mark.parametrize(
    ("status", "clears", "words"),
    [
        ("REQUESTED", Clears.AUTHORITY, "asked for Jun 1, 2026, no time confirmed"),
        ("CONFIRMED", Clears.AUTHORITY, "confirmed for Tue Jun 2, 2026, 08:00"),
        ("FAILED", Clears.OFFICE, "failed (too shallow); to be asked for again"),
        ("PARTIAL", Clears.OFFICE, "passed in part, only holes 1-8; the rest waits"),
    ],
)
def test_an_inspection_says_where_it_stands(status: str, clears: Clears, words: str):
    make_firm()
    job = make_job()
    dig_is_done(job)
    Inspection.objects.create(
        phase=job.phases.get(code="HOLE_INSPECTION"),
        status=status,
        requested_at=june(1, 5),
        visit_from=june(2),
        visit_until=june(2, 12),
        released="holes 1-8",
        note="too shallow" if status == "FAILED" else "",
    )

    (fact,) = facts_of(job, HoldKind.INSPECTION)

    assert fact.clears is clears
    assert words in fact.what


def test_drawings_are_a_hold_until_the_permit_is_applied_for():
    make_firm()
    job = make_job()
    job.permit.issued_on = job.permit.applied_on = None
    job.permit.save()
    missing = facts_of(job, HoldKind.DRAWINGS)

    job.permit.applied_on = date(2026, 5, 20)
    job.permit.save()

    assert [fact.clears for fact in missing] == [Clears.OFFICE]
    assert facts_of(job, HoldKind.DRAWINGS) == []


def test_concrete_that_is_placed_holds_until_the_day_of_the_plan():
    (crew, _) = make_firm()
    job = make_job(foundation="POURED_PIER")
    plan = plan_of(job, crew, ("POSTS", 4))
    wait = PlannedWait.objects.create(
        plan=plan,
        job=job,
        kind="CURE",
        after_code="POUR",
        before_code="POSTS",
        starts_at=june(1, 5),
        ends_at=june(4),
        basis="17% of 28-day strength",
    )
    before = facts_of(job, HoldKind.CURE)

    job.phases.filter(code="POUR").update(status="DONE", started_at=june(1, 4), done_at=june(1, 5))

    (fact,) = facts_of(job, HoldKind.CURE)
    assert before == []
    assert (fact.what, fact.expected_on) == (wait.basis, date(2026, 6, 4))
    assert fact.clears is Clears.NOBODY


def test_a_hold_costs_nothing_while_margin_and_float_last():
    """
    By hand: due Jun 8, booked Jun 15, so 7 days of margin; the finish of Jun 17, 14:00, is
    promised for Jun 20, whose last moment is 3 days and 10 hours later: 3 whole days of float.
    """
    (crew, _) = make_firm()
    job = awaiting_trusses(promised_on=date(2026, 6, 20))
    plan_of(job, crew, ("TRUSSES", 15), ("ROOF", 16), ("WALLS", 17))

    cost = only_delivery().cost

    # Trusses may also move over the gaps of 18 hours to the roof and of 18 to the walls.
    assert cost
    assert (cost.margin_days, cost.promise_days, cost.weighted_days) == (7, 0, 0)
    assert cost.float_days == (timedelta(days=3, hours=10) + 2 * timedelta(hours=18)).days
    assert cost.words.startswith("nothing for 11 days (7 days to the booked start and 4 days")


def test_float_does_not_count_time_that_something_cures():
    (crew, _) = make_firm()
    job = awaiting_trusses(promised_on=date(2026, 6, 20))
    plan = plan_of(job, crew, ("TRUSSES", 15), ("ROOF", 19))
    before = only_delivery().cost

    PlannedWait.objects.create(
        plan=plan,
        job=job,
        kind="CURE",
        after_code="TRUSSES",
        before_code="ROOF",
        starts_at=june(15, 14),
        ends_at=june(19),
        basis="it cures",
    )
    after = only_delivery().cost

    assert before
    assert after
    assert (before.float_days, after.float_days) == (5, 1)


def test_without_float_a_day_costs_a_day_times_the_weight_and_an_idle_crew():
    (crew, _) = make_firm()
    job = awaiting_trusses(promised_on=date(2026, 6, 9), promise_weight=3)
    plan_of(job, crew, ("TRUSSES", 8), ("ROOF", 9))

    cost = only_delivery().cost

    assert cost
    assert (cost.margin_days, cost.promise_days, cost.weighted_days) == (0, 0, 0)
    Job.objects.filter(pk=job.pk).update(promised_on=date(2026, 6, 5))
    late = only_delivery().cost
    assert late
    # Eighteen hours to the roof are no whole day.
    assert (late.float_days, late.promise_days, late.weighted_days) == (0, 1, 3)
    assert "each day makes the promise of Jun 5, 2026 a day later, weight 3" in late.words
    assert "no other work for two weeks" in late.words


@pytest.mark.parametrize(("other_day", "is_idle"), [(10, False), (21, False), (24, True)])
def test_a_crew_with_other_work_within_two_weeks_is_not_idle(other_day: int, is_idle: bool):
    (crew, _) = make_firm()
    job = awaiting_trusses(promised_on=date(2026, 6, 5))
    plan = plan_of(job, crew, ("TRUSSES", 8))
    other = make_job()
    book(plan, other, "FRAME", start=june(other_day), hours=6, crew=crew)

    cost = only_delivery().cost

    assert cost
    assert (cost.crew_usd != Decimal(0)) is is_idle


def test_a_phase_without_dates_has_no_cost():
    make_firm()
    awaiting_trusses()

    hold = only_delivery()

    assert hold.cost is None
    assert hold.cost_words == "no dates yet, so its cost is not known"


def test_the_dearest_come_first():
    (crew, _) = make_firm()
    plan = make_plan()
    for number, promised_on in (("26-801", 30), ("26-802", 5), ("26-803", 12)):
        job = awaiting_trusses(number=number, promised_on=date(2026, 6, promised_on))
        book(plan, job, "TRUSSES", start=june(8), hours=6, crew=crew)

    assert [row.job.number for row in deliveries_held()] == ["26-802", "26-803", "26-801"]


def test_holds_take_as_many_queries_for_many_jobs_as_for_one(django_assert_max_num_queries):
    (crew, _) = make_firm()
    plan = make_plan()
    for _ in range(4):
        book(plan, awaiting_trusses(), "TRUSSES", start=june(9), hours=6, crew=crew)

    with django_assert_max_num_queries(40):
        assert len(deliveries_held()) == 4


def published_text(now: datetime) -> dict[str, str]:
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)
    rows = FeedEvent.objects.filter(is_dropped=False).order_by("summary")
    return {row.summary: row.description for row in rows}


def test_a_crews_calendar_tells_what_a_phase_waits_for():
    make_firm()
    job = awaiting_trusses(promised=24)

    text = published_text(MONDAY)

    held = text[f"Set trusses and purlins – Job {job.number}"]
    assert "Waits for delivery: Trusses promised for Jun 24, 2026." in held
    assert "Waits" not in text[f"Frame walls – Job {job.number}"]


def test_a_crews_calendar_stays_as_it_is_while_nothing_changes():
    make_firm()
    awaiting_trusses(promised=24)
    published_text(MONDAY)
    before = list(FeedEvent.objects.order_by("pk").values())

    published_text(MONDAY + timedelta(minutes=1))

    assert list(FeedEvent.objects.order_by("pk").values()) == before


def test_a_cleared_hold_leaves_the_calendar_and_raises_the_sequence_once():
    make_firm()
    job = awaiting_trusses(promised=1)
    summary = f"Set trusses and purlins – Job {job.number}"
    published_text(MONDAY)
    before = FeedEvent.objects.get(summary=summary)
    job.deliveries.update(arrived_on=date(2026, 6, 1))

    text = published_text(MONDAY + timedelta(minutes=1))

    after = FeedEvent.objects.get(summary=summary)
    assert "Waits" in before.description
    assert "Waits" not in text[summary]
    assert (after.uid, after.sequence) == (before.uid, before.sequence + 1)


def test_what_crews_are_told_does_not_depend_on_the_day():
    make_firm()
    awaiting_trusses(promised=3)

    told = [told_to_crews(now=MONDAY + timedelta(days=days)) for days in (0, 1, 5)]

    assert told[0] == told[1] == told[2]
    assert any("Trusses" in words for rows in told[0].values() for words in rows)


def test_the_job_page_and_the_page_of_all_holds_show_the_same_words(client: Client, office: Any):
    (crew, _) = make_firm()
    job = awaiting_trusses()
    plan_of(job, crew, ("TRUSSES", 15))
    client.force_login(office)
    hold = only_delivery()

    pages = [
        client.get(address).content.decode()
        for address in (
            reverse("admin:jobs_job_change", args=[job.pk]),
            reverse("admin:jobs_job_holds"),
        )
    ]

    for page in pages:
        for words in (hold.fact.what, hold.who, hold.cost_words, "Mon Jun 8"):
            assert words in page


def test_the_api_tells_holds_with_filters(owner: Any):
    (crew, _) = make_firm()
    job = awaiting_trusses(number="26-804")
    awaiting_trusses(number="26-805")
    plan_of(job, crew, ("TRUSSES", 15))
    client = reader(owner)

    rows = client.get("/api/v1/holds/", {"kind": "DELIVERY", "job": "26-804"}).json()["results"]
    one = client.get("/api/v1/jobs/26-804/").json()
    wrong = client.get("/api/v1/holds/", {"kind": "MOOD"})

    (row,) = rows
    assert (row["job"], row["phase"], row["who"]) == ("26-804", "TRUSSES", "Ridgepole")
    assert row["cost"]["margin_days"] == 7
    assert row in one["holds"]
    assert wrong.status_code == 400


def test_a_stranger_sees_no_holds(client: Client, stranger: Any):
    client.force_login(stranger)

    assert client.get(reverse("admin:jobs_job_holds")).status_code == 302
    assert reader(stranger).get("/api/v1/holds/").status_code == 403


def test_what_a_crews_day_costs_is_the_firms_own_figure():
    (crew, _) = make_firm()
    Firm.objects.update(crew_day_cost_usd=Decimal(1450))
    job = awaiting_trusses(promised_on=date(2026, 6, 5))
    plan_of(job, crew, ("TRUSSES", 8))

    cost = only_delivery().cost

    assert cost
    assert cost.crew_usd == Decimal(1450)
    assert "$1,450 a day" in cost.words
