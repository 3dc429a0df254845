"""The office's pages of slips, proposals, notices and tasks, and the API of slips."""

from datetime import date, timedelta

import pytest
from django.contrib.auth.models import AbstractUser
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from jobs.models import (
    Booking,
    Delivery,
    FieldReport,
    Notice,
    Plan,
    ReplanProposal,
    Slip,
    TaskRequest,
)
from jobs.selectors import plans
from jobs.services import planning, proposals, publishing, rain, slips
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]

PROPOSALS = reverse("admin:jobs_replanproposal_changelist")


@pytest.fixture
def published() -> Plan:
    make_firm(crews=2)
    for number in ("26-001", "26-002"):
        cover_digging(make_job(number=number))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    return publishing.publish(plan_id=plan.pk, now=MONDAY).plan


@pytest.fixture
def desk(client: Client, office: AbstractUser) -> Client:
    client.force_login(office)
    return client


@pytest.fixture
def proposal(published: Plan) -> ReplanProposal:
    Delivery.objects.filter(job__number="26-001", item="TRUSSES").update(
        arrived_on=None, promised_on=date(2026, 7, 10)
    )
    slips.compare_published(now=MONDAY, trigger="a test")
    return proposals.propose(reason="Trusses late", now=MONDAY)


def page_of(row: ReplanProposal) -> str:
    return reverse("admin:jobs_replanproposal_change", args=[row.pk])


def test_a_proposal_shows_who_moves_why_and_what_stays(
    desk: Client, proposal: ReplanProposal
) -> None:
    page = desk.get(page_of(proposal)).content.decode()

    assert "Trusses late" in page
    assert "Trusses promised for Jul 10, 2026" in page
    assert "What stays (" in page
    assert "26-001 Set trusses and purlins" in page
    assert "Cause: material" in page
    assert "Pin elsewhere" in page


def test_accepting_publishes_what_the_page_showed(desk: Client, proposal: ReplanProposal) -> None:
    address = reverse("admin:jobs_replanproposal_accept", args=[proposal.pk])

    page = desk.post(address, {"plan": proposal.plan.pk}, follow=True).content.decode()

    assert f"{proposal.plan} is published." in page
    assert plans.published_plan() == proposal.plan
    assert "Accept and publish" not in page


def test_a_proposal_that_changed_since_it_was_shown_is_not_published(
    desk: Client, proposal: ReplanProposal, published: Plan
) -> None:
    address = reverse("admin:jobs_replanproposal_accept", args=[proposal.pk])

    page = desk.post(address, {"plan": proposal.plan.pk + 99}, follow=True).content.decode()

    assert "Look at it again" in page
    assert plans.published_plan() == published


def test_dropping_keeps_the_reason(desk: Client, proposal: ReplanProposal) -> None:
    address = reverse("admin:jobs_replanproposal_drop", args=[proposal.pk])

    desk.post(address, {"reason": "  "})
    assert ReplanProposal.objects.get().state == "OPEN"
    page = desk.post(address, {"reason": "Found trusses"}, follow=True).content.decode()

    assert "Dropped. The published plan stays." in page
    assert "Found trusses" in page


@pytest.mark.parametrize("who", ["owner", "lead", "stranger"])
def test_only_the_office_decides(
    client: Client, proposal: ReplanProposal, who: str, request: pytest.FixtureRequest
) -> None:
    client.force_login(request.getfixturevalue(who))
    for name in ("accept", "drop"):
        address = reverse(f"admin:jobs_replanproposal_{name}", args=[proposal.pk])
        answer = client.post(address, {"plan": proposal.plan.pk, "reason": "x"})
        assert answer.status_code in (302, 403)
    client.post(reverse("admin:jobs_replanproposal_rain"), {"crew": [1]})

    proposal.refresh_from_db()
    assert proposal.state == "OPEN"
    assert not FieldReport.objects.exists()


def test_a_rain_day_is_one_press_from_list_to_proposal(desk: Client, published: Plan) -> None:
    booked = Booking.objects.filter(is_live=True, crew__isnull=False)
    crews = list(booked.values_list("crew", flat=True))

    page = desk.post(
        reverse("admin:jobs_replanproposal_rain"), {"crew": crews}, follow=True
    ).content.decode()

    row = ReplanProposal.objects.get()
    assert row.reason.startswith("Rain on Jun 1: Dig holes")
    assert "Accept and publish" in page
    stops = FieldReport.objects.filter(kind="STOPPED")
    assert {report.stopped_by for report in stops} == {"WEATHER"}
    assert {report.phase.code for report in stops} <= set(rain.GATED)
    tomorrow = timezone.localtime(MONDAY).date() + timedelta(days=1)
    dug = Booking.objects.filter(plan=row.plan, phase__code="DIG").earliest("starts_at")
    assert timezone.localtime(dug.starts_at).date() >= tomorrow


def test_pressing_rain_twice_stops_nothing_twice(published: Plan) -> None:
    crews = [row.crew_id for row in Booking.objects.filter(is_live=True) if row.crew_id]

    for _ in range(2):
        rain.rain_day(day=MONDAY.date(), crews=crews, now=MONDAY)

    stops = FieldReport.objects.filter(kind="STOPPED")
    assert stops.count() == stops.values("phase").distinct().count() > 0
    assert ReplanProposal.objects.count() == 1
    weather = Slip.objects.filter(cause="WEATHER")
    assert weather.count() == weather.values("job", "event").distinct().count()


def test_the_list_offers_the_rain_day_to_the_office_only(
    desk: Client, published: Plan, client: Client, owner: AbstractUser
) -> None:
    assert "Rain today" in desk.get(PROPOSALS).content.decode()
    client.force_login(owner)
    assert "Rain today" not in client.get(PROPOSALS).content.decode()


def test_the_job_page_shows_its_slips_their_steps_and_who_is_told(
    desk: Client, proposal: ReplanProposal
) -> None:
    slip = Slip.objects.get()
    job = reverse("admin:jobs_job_change", args=[slip.job_id])

    page = desk.get(job).content.decode()

    assert slip.what in page
    assert f"{slip.days:.1f} working days" in page
    assert "Set trusses and purlins, " in page
    told = Notice.objects.get(event=f"slip:{slip.pk}")
    assert f"{told.name}: {told.get_state_display().lower()}" in page
    assert f"{slip.days:.2f}" in page.partition("All of it")[2]


def test_the_page_of_a_job_without_slips_says_so(desk: Client, proposal: ReplanProposal) -> None:
    other = Booking.objects.exclude(phase__job=Slip.objects.get().job).first()
    assert other is not None

    page = desk.get(reverse("admin:jobs_job_change", args=[other.phase.job_id])).content.decode()

    assert "Nothing has slipped." in page


def test_a_slips_page_shows_amount_cause_and_pairs_and_takes_a_cause(
    desk: Client, proposal: ReplanProposal
) -> None:
    slip = Slip.objects.get()
    address = reverse("admin:jobs_slip_change", args=[slip.pk])

    page = desk.get(address).content.decode()
    assert f"{slip.days:.1f} working days" in page
    assert "Set trusses and purlins" in page
    desk.post(address, {"cause": "REWORK"})

    slip.refresh_from_db()
    assert slip.cause == "REWORK"


def test_parked_notices_and_tasks_are_tried_again_from_their_lists(
    desk: Client, office: AbstractUser
) -> None:
    office.email = "ann@firm.example"
    office.save()
    notice = Notice.objects.create(
        event="plan:1",
        person=f"user:{office.pk}",
        user=office,
        kind=Notice.Kind.PLAN,
        name="Ann",
        subject="s",
        body="b",
        made_at=MONDAY,
        next_try_at=MONDAY,
        state=Notice.State.PARKED,
        error="no address",
    )
    task = TaskRequest.objects.create(
        kind="FEEDS",
        reason="a test",
        status="PARKED",
        requested_at=MONDAY,
        next_try_at=MONDAY,
        error="broken",
    )
    for row in (notice, task):
        listed = reverse(f"admin:jobs_{row._meta.model_name}_changelist")
        assert desk.get(listed).status_code == 200
        desk.post(listed, {"action": "try_again", "_selected_action": [row.pk]})

    notice.refresh_from_db()
    task.refresh_from_db()
    assert (notice.state, notice.email) == (Notice.State.WAITING, "ann@firm.example")
    assert task.status == "QUEUED"


def test_the_api_lists_slips(client: Client, proposal: ReplanProposal, owner: AbstractUser) -> None:
    client.force_login(owner)

    (row,) = client.get("/api/v1/slips/?open=true").json()["results"]

    slip = Slip.objects.get()
    assert (row["job"], row["cause"], row["phase"]) == ("26-001", "MATERIAL", "TRUSSES")
    assert row["days"] == round(slip.days, 2)
    assert (row["part"], row["pushed"][0]["part"]) == (1, 1)
    assert row["pushed"][0]["crew"]
    assert client.get("/api/v1/slips/?open=false").json()["results"] == []
    assert client.get("/api/v1/slips/?cause=RAIN").status_code == 400
    for query, found in (("phase=TRUSSES&ordering=-days", 1), ("phase=DIG", 0), ("search=x9", 0)):
        assert client.get(f"/api/v1/slips/?{query}").json()["count"] == found
