"""Percent plan complete from what was published, as it stood when each week began."""

from datetime import datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.contrib.auth.models import AbstractUser
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from crews.models import Crew
from jobs.models import Booking, FieldReport, Job, Phase, Plan
from jobs.selectors.ppc import booked_promises
from tests.service.api import book, make_plan
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = pytest.mark.django_db

FRIDAY_BEFORE = MONDAY - timedelta(days=3)
NEXT_MONDAY = MONDAY + timedelta(days=7)
LATER = MONDAY + timedelta(days=9)
PAGE = reverse("admin:jobs_fieldreport_ppc")


@pytest.fixture
def crew() -> Crew:
    return make_firm()[0]


@pytest.fixture
def job(crew: Crew) -> Job:
    return make_job(number="26-001")


@pytest.fixture
def plan(job: Job, crew: Crew) -> Plan:
    """Published on Friday: layout on Monday, holes on Wednesday."""
    plan = make_plan(published_at=FRIDAY_BEFORE)
    book(plan, job, "LAYOUT", start=MONDAY, hours=3, crew=crew)
    book(plan, job, "DIG", start=MONDAY + timedelta(days=2), hours=3, crew=crew)
    return plan


def promised(now: datetime = LATER, **given: Any) -> dict[str, Any]:
    """Return the promises of that week and the next by the phase's code."""
    rows = booked_promises(
        first_monday=MONDAY.date(), last_monday=NEXT_MONDAY.date(), now=now, **given
    )
    return {row.booking.phase.code: row.promise for row in rows}


def done(code: str, moment: datetime) -> None:
    Phase.objects.filter(code=code).update(status="DONE", done_at=moment)


def reported(
    code: str, kind: str, moment: datetime, cause: str, *, from_office: bool = False
) -> FieldReport:
    return FieldReport.objects.create(
        id=uuid4(),
        phase=Phase.objects.get(code=code),
        kind=kind,
        made_at=moment,
        received_at=moment,
        stopped_by=cause,
        from_office=from_office,
    )


def test_what_ends_in_the_week_is_promised_for_its_day(plan: Plan) -> None:
    found = promised()

    assert found.keys() == {"LAYOUT", "DIG"}
    assert found["DIG"].due_on == (MONDAY + timedelta(days=2)).date()
    assert found["DIG"].monday == MONDAY.date()


def test_kept_is_done_on_the_day_by_the_clock_of_the_site(plan: Plan) -> None:
    done("LAYOUT", MONDAY.replace(hour=23, minute=59))
    done("DIG", MONDAY + timedelta(days=3))

    assert {code: promise.is_kept for code, promise in promised().items()} == {
        "LAYOUT": True,
        "DIG": False,
    }


def test_a_plan_published_in_the_week_changes_none_of_its_promises(
    plan: Plan, job: Job, crew: Crew
) -> None:
    Plan.objects.filter(pk=plan.pk).update(status=Plan.Status.REPLACED)
    newer = make_plan(published_at=MONDAY + timedelta(days=1))
    book(newer, job, "DIG", start=MONDAY + timedelta(days=8), hours=3, crew=crew)

    found = promised()

    assert found["DIG"].due_on == (MONDAY + timedelta(days=8)).date()  # promised anew
    first_week = booked_promises(first_monday=MONDAY.date(), last_monday=MONDAY.date(), now=LATER)
    assert {row.booking.phase.code for row in first_week} == {"LAYOUT", "DIG"}


def test_a_draft_promises_nothing(plan: Plan) -> None:
    Plan.objects.update(status=Plan.Status.DRAFT, published_at=None)

    assert promised() == {}


def test_what_was_done_before_the_week_is_no_promise_of_it(plan: Plan) -> None:
    done("LAYOUT", FRIDAY_BEFORE)

    assert promised().keys() == {"DIG"}


def test_what_no_crew_of_ours_does_is_no_promise_of_a_crew(plan: Plan) -> None:
    Booking.objects.filter(phase__code="DIG").update(crew=None)

    assert promised().keys() == {"LAYOUT"}


def test_what_is_left_out_or_cancelled_is_no_promise(plan: Plan) -> None:
    Phase.objects.filter(code="DIG").update(status="DROPPED")
    assert promised().keys() == {"LAYOUT"}

    Job.objects.update(status="CANCELLED")
    assert promised() == {}


def test_the_reason_is_the_stop_of_that_week(plan: Plan) -> None:
    reported("DIG", "STOPPED", FRIDAY_BEFORE, "MATERIAL")
    reported("DIG", "STOPPED", MONDAY + timedelta(days=1), "WEATHER")
    reported("DIG", "STOPPED", NEXT_MONDAY + timedelta(days=1), "CREW")

    assert promised()["DIG"].cause == "WEATHER"


def test_the_offices_reason_comes_first(plan: Plan) -> None:
    reported("DIG", "NOTE", MONDAY + timedelta(days=1), "ESTIMATE", from_office=True)
    reported("DIG", "STOPPED", MONDAY + timedelta(days=2), "WEATHER")

    assert promised()["DIG"].cause == "ESTIMATE"


def test_a_stop_that_was_taken_back_is_no_reason(plan: Plan) -> None:
    wrong = reported("DIG", "STOPPED", MONDAY + timedelta(days=1), "WEATHER")
    FieldReport.objects.create(
        phase=wrong.phase,
        kind="CORRECTION",
        made_at=MONDAY + timedelta(days=2),
        received_at=MONDAY,
        corrects_id=wrong.pk,
        corrected_kind="VOID",
        from_office=True,
    )

    assert promised()["DIG"].cause == ""


def test_one_crew_is_picked_out(plan: Plan, crew: Crew) -> None:
    assert promised(crew=crew.name).keys() == {"LAYOUT", "DIG"}
    assert promised(crew="another") == {}


def test_many_weeks_take_as_many_reads_as_one(plan: Plan, job: Job, crew: Crew) -> None:
    def reads(weeks: int) -> int:
        with CaptureQueriesContext(connection) as captured:
            booked_promises(
                first_monday=MONDAY.date() - timedelta(weeks=weeks),
                last_monday=NEXT_MONDAY.date(),
                now=LATER,
            )
        return len(captured)

    assert reads(50) == reads(1)


@pytest.fixture
def desk(client: Client, office: AbstractUser, monkeypatch: pytest.MonkeyPatch) -> Client:
    client.force_login(office)
    monkeypatch.setattr("jobs.admin.report.timezone.now", lambda: LATER)
    return client


def test_the_page_shows_weeks_crews_causes_and_misses(desk: Client, plan: Plan, crew: Crew) -> None:
    done("LAYOUT", MONDAY)
    reported("DIG", "STOPPED", MONDAY + timedelta(days=2), "WEATHER")

    page = desk.get(PAGE).content.decode()

    assert "1 of 2 promises kept" in page
    assert "<strong>50 %</strong>" in page
    assert "week of Jun 1: 1 of 2 kept, 50 %" in page
    assert '<tr><th scope="row">Weather</th><td class="number">1</td></tr>' in page
    assert "not yet" in page


def test_the_page_without_a_published_week_says_so(desk: Client) -> None:
    assert "No promise of these weeks is decided yet." in desk.get(PAGE).content.decode()


def test_the_office_says_why_a_promise_was_missed(
    desk: Client, plan: Plan, job: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("jobs.forms.timezone.now", lambda: LATER)
    phase = Phase.objects.get(job=job, code="DIG")
    address = reverse("admin:jobs_fieldreport_enter", args=[phase.pk])

    desk.post(
        address,
        {
            "kind": "NOTE",
            "happened_at": "2026-06-03T12:00",
            "stopped_by": "EQUIPMENT",
            "note": "The auger's drive had to be mended.",
        },
    )

    assert promised()["DIG"].cause == "EQUIPMENT"
    phase.refresh_from_db()
    assert phase.stopped_by == ""


@pytest.mark.parametrize(("who", "status"), [("owner", 200), ("lead", 302), ("stranger", 302)])
def test_who_sees_the_page(
    client: Client, who: str, status: int, request: pytest.FixtureRequest
) -> None:
    client.force_login(request.getfixturevalue(who))

    assert client.get(PAGE).status_code == status
