"""The crews' report of a stored plan: selector, plan page and API tell the same numbers."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.contrib.auth.models import AbstractUser
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from contractor.engine.crew_report import path_back
from crews.models import Crew
from jobs.models import Booking, Job, Phase, Plan, PlannedWait
from jobs.selectors.crew_report import CrewsOfPlan, crews_of_plan
from jobs.selectors.plans import promises
from jobs.selectors.stored_plan import reasons, stored_plan
from jobs.services import planning
from tests.factories import DayOffFactory
from tests.service.api import ROOT, book, book_all, make_plan, morning, reader
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]

SHIFT_HOURS = 8.5


def bind(booking: Booking, kind: str, leader: Booking | None = None, because: str = "") -> Booking:
    """Say what binds a booking."""
    booking.because_kind = kind
    booking.because_phase = leader.phase if leader else None
    booking.because = because or "Bound"
    booking.save()
    return booking


def report_of(plan: Plan) -> CrewsOfPlan:
    return crews_of_plan(stored_plan(plan))


@pytest.fixture
def crew(db: None) -> Crew:
    (only,) = make_firm(crews=1)
    return only


@pytest.fixture
def late_plan(crew: Crew) -> Plan:
    """A crew is on the first job until Friday noon; the second is promised for Wednesday.

    Job 26-002 has one booking, on Friday from 13:00 to 15:00: two days late.
    """
    plan = make_plan()
    first = book(plan, make_job(number="26-001"), "FRAME", start=morning(), hours=99, crew=crew)
    job = make_job(number="26-002", promised_on=date(2026, 6, 3))
    second = book(plan, job, "ROOF", start=morning(4) + timedelta(hours=4), hours=2, crew=crew)
    bind(second, "crew", first, f"{crew.name} is on Frame walls of 26-001")
    return plan


def test_lateness_goes_back_to_the_crew_that_was_waited_for(late_plan: Plan, crew: Crew):
    report = report_of(late_plan)

    (late,) = report.late_jobs
    assert (late.job.number, late.days_late) == ("26-002", 2)
    assert [(reason.kind, reason.who) for reason, _ in late.reasons] == [("CREW", crew.name)]
    assert report.crews[0].days_late == pytest.approx(2)


def test_days_late_are_those_that_the_promises_of_the_plan_tell(late_plan: Plan):
    told = {row.job.number: row.days_late for row in promises(late_plan) if row.days_late}

    assert {row.job.number: row.days_late for row in report_of(late_plan).late_jobs} == told


def test_hours_are_the_shifts_and_what_bookings_take_of_them(crew: Crew):
    """Two hours on Monday; the week has five shifts of eight and a half hours."""
    plan = make_plan()
    book(plan, make_job(), "LAYOUT", start=morning(), hours=2, crew=crew)

    (week,) = report_of(plan).crews[0].weeks

    assert (week.week, week.monday) == ("2026-W23", date(2026, 6, 1))
    assert (week.working_hours, week.booked_hours) == (5 * SHIFT_HOURS, 2)


def test_a_day_off_takes_its_hours_away(crew: Crew):
    DayOffFactory(crew=crew, first_day=date(2026, 6, 2))
    plan = make_plan()
    book(plan, make_job(), "LAYOUT", start=morning(), hours=2, crew=crew)

    assert report_of(plan).crews[0].working_hours == 4 * SHIFT_HOURS


@pytest.mark.parametrize(
    ("kind", "behind", "because", "wait", "expected"),
    [
        ("link", "", "After set posts: Cure.", "CURE", "CURE"),
        ("link", "", "After set posts: Walls stand on posts.", None, "EARLIER_PHASE"),
        ("release", "", "Trusses promised for Jun 2, 2026", "DELIVERY", "DELIVERY"),
        ("release", "", "Permit expected Jun 2, 2026", "PERMIT", "PERMIT"),
        ("release", "", "Not before Jun 2, 2026, as agreed for the site", None, "EARLIEST_DATE"),
        ("frozen", "", "Announced, inside the freeze", None, "FROZEN"),
        (
            "frozen",
            "release",
            "Later than announced: trusses promised for Jun 2",
            "DELIVERY",
            "DELIVERY",
        ),
        ("flow", "", "Begun later on purpose", None, "FLOW"),
        ("pin", "", "Pinned", None, "PIN"),
    ],
)
def test_idle_hours_are_told_by_what_the_next_booking_waited_for(
    kind: str, behind: str, because: str, wait: str | None, expected: str, crew: Crew
):
    """
    From Monday 11:00 to Tuesday 9:00 the crew has four and a half and two hours of shift.

    Half an hour each of them it drives: home on Monday and out on Tuesday.
    """
    plan, job = make_plan(), make_job(drive_minutes=30)
    before = book(plan, job, "POSTS", start=morning(), hours=2, crew=crew)
    after = book(plan, job, "FRAME", start=morning(1), hours=2, crew=crew)
    after.behind_kind = behind
    bind(after, kind, before if kind == "link" else None, because)
    if wait:
        PlannedWait.objects.create(
            plan=plan,
            job=job,
            kind=wait,
            after_code="POSTS" if kind == "link" else "",
            before_code="FRAME",
            starts_at=before.ends_at,
            ends_at=after.starts_at,
            basis=because.removeprefix("Later than announced: "),
        )

    found = report_of(plan).crews[0]

    assert [(reason.kind, hours) for reason, hours in found.idle] == [(expected, 5.5)]
    assert found.driving_hours == 1


def test_reasons_lead_across_jobs_back_to_today(late_plan: Plan):
    last = Booking.objects.get(phase__code="ROOF")

    steps = reasons(stored_plan(late_plan), last)

    assert [step.booking.phase.job.number for step in steps] == ["26-002", "26-001"]
    assert steps[-1].because == "Nothing starts in the past"


def test_behind_a_choice_stands_what_the_crew_did_before(late_plan: Plan):
    last = bind(Booking.objects.get(phase__code="ROOF"), "pin", because="Pinned")

    first, second = reasons(stored_plan(late_plan), last)

    assert first.behind == "Before it comes frame walls, job 26-001"
    assert (second.booking.phase.code, second.behind) == ("FRAME", "")


def test_a_real_plan_is_read_back_with_the_reasons_it_was_stored_with(crew: Crew):
    make_job(number="26-001")
    make_job(number="26-002", promised_on=date(2026, 6, 9))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)

    stored = stored_plan(plan)

    for index, booking in enumerate(stored.bookings):
        steps = path_back(stored.problem, stored.schedule, index)
        starts = [step.start for step in steps]
        assert stored.bookings[steps[0].activity] == booking
        assert starts == sorted(starts, reverse=True)
    report = crews_of_plan(stored)
    assert [row.job.number for row in report.late_jobs] == ["26-002"]
    assert sum(d for _, d in report.reasons) == pytest.approx(report.days_late)


def test_a_plan_without_bookings_has_crews_without_work(crew: Crew):
    report = report_of(make_plan())

    assert [(row.crew, row.booked_hours) for row in report.crews] == [(crew, 0)]
    assert report.late_jobs == ()


def test_a_crew_that_is_active_no_more_is_shown_where_it_is_booked(late_plan: Plan, crew: Crew):
    Crew.objects.filter(pk=crew.pk).update(is_active=False)

    assert [row.crew for row in report_of(late_plan).crews] == [crew]


def test_a_job_partly_without_dates_is_not_late(late_plan: Plan):
    late_plan.unplanned = [{"job": "26-002", "phase": "TRIM", "label": "Trim", "reason": "no crew"}]
    late_plan.save()

    assert report_of(late_plan).late_jobs == ()


def test_the_api_tells_what_the_page_shows(
    late_plan: Plan, crew: Crew, owner: Any, office: AbstractUser, client: Client
):
    body = reader(owner).get(f"{ROOT}plans/{late_plan.pk}/crews/").json()
    client.force_login(office)
    page = client.get(reverse("admin:jobs_plan_change", args=[late_plan.pk])).content.decode()

    (row,) = body["crews"]
    assert (body["plan"], body["days_late"], row["crew"]) == (late_plan.pk, 2, crew.name)
    assert row["late"] == [{"job": "26-002", "days": 2.0}]
    assert body["late_jobs"][0]["reasons"][0]["who"] == crew.name
    for number in (row["working_hours"], row["booked_hours"], row["days_late"]):
        assert f'<td class="number">{number:.1f}</td>' in page
    assert '<svg xmlns="http://www.w3.org/2000/svg" class="drawing" role="img" ' in page
    assert f"{crew.name}, busy on other work" in page


@pytest.mark.parametrize("role", ["stranger", "lead"])
def test_the_report_is_closed_to_those_without_the_role(
    role: str, late_plan: Plan, request: pytest.FixtureRequest
):
    user = request.getfixturevalue(role)

    assert reader(user).get(f"{ROOT}plans/{late_plan.pk}/crews/").status_code == 403


def test_a_plan_that_is_not_there_is_told_with_the_list(owner: Any):
    response = reader(owner).get(f"{ROOT}plans/987/crews/")

    assert response.status_code == 404
    assert "/api/v1/plans/" in response.json()["detail"]


def test_queries_do_not_grow_with_the_rows(owner: Any):
    crews = make_firm(crews=2)
    plan, client = make_plan(), reader(owner)

    def queries(jobs: int) -> int:
        for number in range(jobs):
            days = Booking.objects.count()
            book_all(plan, make_job(), crews[number % 2], start=morning(days))
        with CaptureQueriesContext(connection) as captured:
            assert client.get(f"{ROOT}plans/{plan.pk}/crews/").status_code == 200
        return len(captured)

    assert queries(2) == queries(6)


def test_reading_the_report_changes_nothing(late_plan: Plan):
    before = [list(model.objects.order_by("pk").values()) for model in (Job, Phase, Booking, Plan)]

    report_of(late_plan)

    assert before == [
        list(model.objects.order_by("pk").values()) for model in (Job, Phase, Booking, Plan)
    ]
