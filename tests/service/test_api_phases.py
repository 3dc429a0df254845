"""Phases through the API: dates told first, planned, met and forecast, and how lists narrow."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from crews.models import Crew
from jobs.models import Booking, Forecast, Job, LeftOutWork, Phase, PhaseForecast, Plan, PlannedWait
from tests.service.api import ROOT, book, book_all, faults, make_plan, morning, reader
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]
DAY = timedelta(days=1)


def rows(user: Any, query: str = "") -> list[dict[str, Any]]:
    response = reader(user).get(f"{ROOT}phases/?{query}")
    assert response.status_code == 200, response.content
    listed: list[dict[str, Any]] = response.json()["results"]
    return listed


def codes(user: Any, query: str) -> list[tuple[str, str]]:
    return [(row["job"], row["phase"]) for row in rows(user, query)]


def iso(row: dict[str, Any], *names: str) -> list[str | None]:
    return [row[name] and row[name][:13] for name in names]


def publish_again(plan: Plan) -> Plan:
    """Return a plan in force in place of another, published a day later."""
    Plan.objects.filter(pk=plan.pk).update(status="REPLACED")
    Booking.objects.filter(plan=plan).update(is_live=False)
    return make_plan(published_at=MONDAY + DAY)


def forecast(plan: Plan, phase: Phase, *, days: int) -> None:
    """Forecast a phase to end so many days after its planned finish."""
    made = Forecast.objects.create(
        plan=plan, status="DONE", as_of=MONDAY, made_at=MONDAY, draws=100, policy="-", state="-"
    )
    PhaseForecast.objects.create(
        forecast=made,
        phase=phase,
        planned_start_at=morning(),
        planned_finish_at=morning(1),
        finish_p50=morning(1 + days),
    )


def test_a_phase_tells_what_was_told_first_planned_met_and_forecast(owner: Any):
    (crew,) = make_firm(crews=1)
    job = make_job(number="26-500")
    first = make_plan()
    book(first, job, "DIG", start=morning(1), hours=4, crew=crew)
    plan = publish_again(first)
    row = book(plan, job, "DIG", start=morning(3), hours=4, crew=crew)
    Booking.objects.filter(pk=row.pk).update(is_live=True)
    job.phases.filter(code="DIG").update(status="UNDER_WAY", started_at=morning(2), share_done=0.5)
    forecast(plan, job.phases.get(code="DIG"), days=4)

    (dig,) = rows(owner, "phase=DIG")

    assert (dig["job"], dig["label"], dig["crew"]) == ("26-500", "Dig holes", crew.name)
    assert (dig["status"], dig["share_done"]) == ("UNDER_WAY", 0.5)
    assert iso(dig, "baseline_start", "planned_start", "actual_start", "actual_finish") == [
        "2026-06-02T09",
        "2026-06-04T09",
        "2026-06-03T09",
        None,
    ]
    assert dig["planned_finish"] == "2026-06-04T13:00:00-04:00"
    assert dig["forecast"]["finish"]["p50"] == "2026-06-06T09:00:00-04:00"


def test_finished_work_keeps_the_last_dates_it_was_told_and_is_not_forecast(owner: Any):
    (crew,) = make_firm(crews=1)
    job = make_job(number="26-500")
    first = make_plan()
    book(first, job, "DIG", start=morning(1), hours=4, crew=crew)
    plan = publish_again(first)
    dig = job.phases.get(code="DIG")
    job.phases.filter(code="DIG").update(
        status="DONE", started_at=morning(1), done_at=morning(2), crew=crew
    )
    forecast(plan, dig, days=1)

    (row,) = rows(owner, "status=DONE")

    assert iso(row, "planned_start", "actual_finish") == ["2026-06-02T09", "2026-06-03T09"]
    assert (row["share_done"], row["crew"], row["forecast"]) == (1.0, crew.name, None)


def test_what_no_plan_has_told_has_no_dates(owner: Any):
    make_job(number="26-500")

    (dig,) = rows(owner, "phase=DIG")

    dates = ("baseline_start", "planned_start", "actual_start", "forecast", "crew")
    assert [dig[name] for name in dates] == [None] * 5


@pytest.fixture
def _two_jobs(db: None) -> None:
    """Two jobs of three phases: of A each day one is booked, of B one on another crew."""
    make_firm(crews=2)
    first, second = (make_job(number=number, buyer_name=f"Buyer {number}") for number in "AB")
    Phase.objects.exclude(code__in=("LAYOUT", "DIG", "FRAME")).delete()
    Phase.objects.filter(job=first, code="FRAME").update(office_hours=90)
    (crew, other), plan = list(_crews()), make_plan()
    book_all(plan, first, crew, start=morning())
    book(plan, second, "DIG", start=morning(1), hours=2, crew=other)
    Booking.objects.update(is_live=True)


def _crews() -> Any:
    return Crew.objects.order_by("id")


@pytest.mark.usefixtures("_two_jobs")
@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("job=B", ["B LAYOUT", "B DIG", "B FRAME"]),
        ("phase=DIG", ["A DIG", "B DIG"]),
        ("from=2026-06-02", ["A DIG", "A FRAME", "B DIG"]),
        ("from=2026-06-02&to=2026-06-02", ["A DIG", "B DIG"]),
        ("to=2026-06-01", ["A LAYOUT"]),
        ("status=DONE", []),
        ("search=buyer b&ordering=planned_start", ["B DIG", "B LAYOUT", "B FRAME"]),
        ("job=A&ordering=-planned_finish", ["A FRAME", "A DIG", "A LAYOUT"]),
        ("ordering=-labor_hours&page_size=1", ["A FRAME"]),
        ("page_size=2&page=2", ["A FRAME", "B LAYOUT"]),
    ],
)
def test_the_list_is_narrowed_and_ordered(query: str, expected: list[str], owner: Any):
    assert [" ".join(found) for found in codes(owner, query)] == expected


@pytest.mark.usefixtures("_two_jobs")
def test_a_crews_phases_are_those_it_is_booked_for_or_did(owner: Any):
    _, other = _crews()
    Phase.objects.filter(job__number="B", code="LAYOUT").update(
        crew=other, status="DONE", done_at=MONDAY - DAY
    )

    assert codes(owner, f"crew={other.name}") == [("B", "LAYOUT"), ("B", "DIG")]


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("status=DROPPED", "status"),
        ("phase=PAINT", "phase"),
        ("crew=Nobody", "crew"),
        ("from=2026-06-02&to=2026-06-01", "to"),
        ("ordering=buyer", "ordering"),
        ("code=DIG", "code"),
    ],
)
def test_a_wrong_parameter_is_refused(query: str, field: str, owner: Any):
    make_firm(crews=1)

    assert list(faults(reader(owner).get(f"{ROOT}phases/?{query}"))) == [field]


def test_one_phase_tells_what_its_hours_and_its_start_rest_on(owner: Any):
    (crew,) = make_firm(crews=1)
    job = make_job(number="26-500")
    plan = make_plan()
    book(plan, job, "DIG", start=morning(1), hours=4, crew=crew)
    Booking.objects.update(is_live=True)
    PlannedWait.objects.create(
        plan=plan,
        job=job,
        kind="LOCATE",
        before_code="DIG",
        starts_at=morning(),
        ends_at=morning(1),
        basis="Ticket called Jun 1",
    )
    dig = job.phases.get(code="DIG")

    body = reader(owner).get(f"{ROOT}phases/{dig.pk}/").json()

    (listed,) = rows(owner, "phase=DIG")
    assert {name: body[name] for name in listed} == listed
    assert (body["arithmetic"], body["because"]) == ("16 × 0.5 = 8 h", "Nothing starts in the past")
    assert [wait["basis"] for wait in body["waits"]] == ["Ticket called Jun 1"]
    assert "live locate ticket" in body["caution"]
    assert body["left_out_because"] is None


def test_work_that_learning_leaves_out_says_why(owner: Any):
    job = make_job(number="26-500")
    dig = job.phases.get(code="DIG")
    LeftOutWork.objects.create(phase=dig, reason="the rig broke down", at=MONDAY)

    body = reader(owner).get(f"{ROOT}phases/{dig.pk}/").json()

    assert body["left_out_because"] == "the rig broke down"


@pytest.mark.parametrize("number", ["987654", "9" * 30])
def test_a_phase_that_does_not_exist_is_told(number: str, owner: Any):
    response = reader(owner).get(f"{ROOT}phases/{number}/")

    assert response.status_code == 404
    assert "/api/v1/phases/" in response.json()["detail"]


@pytest.mark.either_database
def test_the_list_takes_as_many_queries_for_six_jobs_as_for_one(owner: Any):
    (crew,) = make_firm(crews=1)
    plan = make_plan()
    client = reader(owner)

    def queries(count: int) -> int:
        for _ in range(count):
            book_all(plan, make_job(), crew, start=morning(20 * Job.objects.count()))
        with CaptureQueriesContext(connection) as captured:
            body = client.get(f"{ROOT}phases/?page_size=200").json()
        assert len(body["results"]) == Phase.objects.count()
        return len(captured)

    assert queries(1) == queries(5)
