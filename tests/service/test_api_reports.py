"""The API's door for field reports and percent plan complete."""

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
import time_machine
from django.contrib.auth.models import AbstractUser
from django.db import connection
from django.test.utils import CaptureQueriesContext

from crews.models import Crew
from jobs import tasks
from jobs.models import FieldReport, Job, Phase, Plan
from tests.factories import CrewFactory
from tests.service.api import ROOT, book, faults, make_plan, reader
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = pytest.mark.django_db

REPORTS = f"{ROOT}reports/"
EVENING = MONDAY.replace(hour=17)


@pytest.fixture(autouse=True)
def monday_evening() -> Any:
    with time_machine.travel(EVENING, tick=False):
        yield


@pytest.fixture
def crew(lead: AbstractUser) -> Crew:
    crew = make_firm()[0]
    Crew.objects.filter(pk=crew.pk).update(lead=lead, name="Alder crew")
    return Crew.objects.get(pk=crew.pk)


@pytest.fixture
def job(crew: Crew) -> Job:
    return make_job(number="26-001")


@pytest.fixture
def plan(job: Job, crew: Crew) -> Plan:
    """A published plan in which the lead's crew lays out on Monday morning."""
    plan = make_plan()
    book(plan, job, "LAYOUT", start=MONDAY, hours=3, crew=crew)
    return plan


def body(kind: str = "STARTED", **given: Any) -> dict[str, Any]:
    return {
        "id": str(uuid4()),
        "job": "26-001",
        "phase": "LAYOUT",
        "crew": "Alder crew",
        "kind": kind,
        "made_at": "2026-06-01T09:00:00-04:00",
        **given,
    }


def post(user: AbstractUser, sent: Any) -> Any:
    return reader(user).post(REPORTS, sent, format="json")


def results(response: Any) -> list[str]:
    assert response.status_code == 200, response.content
    return [row["result"] for row in response.json()["results"]]


def test_a_lead_reports_and_sending_again_changes_nothing(plan: Plan, lead: AbstractUser) -> None:
    sent = body()

    assert results(post(lead, sent)) == ["RECEIVED"]
    assert results(post(lead, [sent, sent])) == ["ALREADY_RECEIVED"] * 2

    assert FieldReport.objects.get().by == lead
    assert Phase.objects.get(code="LAYOUT").status == "UNDER_WAY"


def test_a_list_is_answered_one_by_one_in_its_order(plan: Plan, lead: AbstractUser) -> None:
    response = post(lead, [body(), body("STOPPED"), "nothing", body("DONE", crew="No crew")])

    assert results(response) == ["RECEIVED", "REFUSED", "REFUSED", "REFUSED"]
    told = [[error["field"] for error in row["errors"]] for row in response.json()["results"]]
    assert told == [[], ["stopped_by"], ["(body)"], ["crew"]]


def test_a_single_report_that_is_refused_is_a_problem(plan: Plan, lead: AbstractUser) -> None:
    assert faults(post(lead, body("STOPPED"))).keys() == {"stopped_by"}


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"id": "7"}, "id"),
        ({"id": None}, "id"),
        ({"job": "26-999"}, "phase"),
        ({"phase": "ORBIT"}, "phase"),
        ({"made_at": "2026-06-01T09:00:00"}, "made_at"),
        ({"made_at": "yesterday"}, "made_at"),
        ({"made_at": 5}, "made_at"),
        ({"crew_hours": "many"}, "crew_hours"),
        ({"crew_hours": True}, "crew_hours"),
        ({"crew_hours": 10**400}, "crew_hours"),
        ({"people": 2.5}, "people"),
        ({"note": ["a"]}, "note"),
        ({"kind": "OFFICE"}, "kind"),
        ({"colour": "red"}, "colour"),
        ({"corrects": "x"}, "corrects"),
    ],
)
def test_bad_fields_are_told_with_value_and_remedy(
    plan: Plan, office: AbstractUser, given: dict[str, Any], field: str
) -> None:
    found = faults(post(office, {**body("PROGRESS", crew_hours=1.0), **given}))

    assert field in found
    assert found[field]["remedy"]
    assert not FieldReport.objects.exists()


@pytest.mark.parametrize("sent", [[], "text", 5, None, [{}] * 51])
def test_what_is_no_report_is_a_problem(plan: Plan, office: AbstractUser, sent: Any) -> None:
    assert post(office, sent).status_code == 400


def test_only_leads_and_the_office_report(
    plan: Plan, office: AbstractUser, owner: AbstractUser, stranger: AbstractUser
) -> None:
    assert post(owner, body()).status_code == 403
    assert post(stranger, body()).status_code == 403
    assert results(post(office, body())) == ["RECEIVED"]


def test_a_lead_reports_for_no_other_crew(plan: Plan, lead: AbstractUser) -> None:
    CrewFactory(name="Birch crew")

    assert faults(post(lead, body(crew="Birch crew")))["crew"]["message"] == (
        "you do not lead this crew"
    )


def test_what_changes_the_work_is_sent_to_a_worker(
    plan: Plan,
    lead: AbstractUser,
    monkeypatch: pytest.MonkeyPatch,
    django_capture_on_commit_callbacks: Any,
) -> None:
    sent: list[int] = []
    monkeypatch.setattr(
        tasks.repair_plan, "delay", lambda *, plan_request_id: sent.append(plan_request_id)
    )

    with django_capture_on_commit_callbacks(execute=True):
        post(lead, [body(), body("DONE"), body("NOTE", note="swept")])

    assert len(sent) == 1


def test_the_list_shows_a_lead_their_own_and_the_office_all(
    plan: Plan, lead: AbstractUser, office: AbstractUser, owner: AbstractUser
) -> None:
    CrewFactory(name="Birch crew")
    post(office, [body(), body("NOTE", crew="Birch crew", note="theirs")])

    def crews(user: AbstractUser) -> set[str]:
        return {row["crew"] for row in reader(user).get(REPORTS).json()["results"]}

    assert crews(lead) == {"Alder crew"}
    assert crews(office) == crews(owner) == {"Alder crew", "Birch crew"}


def test_the_list_says_what_each_report_counts_as(plan: Plan, office: AbstractUser) -> None:
    wrong = body("DONE")
    right = body(
        "CORRECTION",
        corrects=wrong["id"],
        corrected_kind="PROGRESS",
        share_done=0.5,
        made_at="2026-06-01T10:00:00-04:00",
    )
    post(office, [wrong, right])

    rows = {row["id"]: row for row in reader(office).get(REPORTS).json()["results"]}

    assert rows[wrong["id"]]["counts_as"] == "PROGRESS"
    assert rows[right["id"]]["counts_as"] is None


@pytest.mark.parametrize(
    ("query", "count"),
    [
        ("", 2),
        ("kind=NOTE", 1),
        ("job=26-001", 2),
        ("job=26-002", 0),
        ("phase=LAYOUT", 2),
        ("crew=Alder crew", 2),
        ("cause=REWORK", 1),
        ("from=2026-06-02", 0),
        ("to=2026-06-01", 2),
    ],
)
def test_the_list_is_narrowed(plan: Plan, office: AbstractUser, query: str, count: int) -> None:
    post(office, [body(), body("NOTE", stopped_by="REWORK")])

    assert reader(office).get(f"{REPORTS}?{query}").json()["count"] == count


def test_a_misspelt_filter_is_refused(office: AbstractUser) -> None:
    assert "crw" in faults(reader(office).get(f"{REPORTS}?crw=Alder"))


def test_the_list_reads_as_often_for_many_reports(plan: Plan, office: AbstractUser) -> None:
    client = reader(office)

    def reads() -> int:
        with CaptureQueriesContext(connection) as captured:
            client.get(REPORTS)
        return len(captured)

    post(office, body())
    one = reads()
    post(office, [body("NOTE", note=str(number)) for number in range(8)])

    assert reads() == one


def test_ppc_counts_what_was_published_when_the_week_began(
    plan: Plan, job: Job, crew: Crew, owner: AbstractUser
) -> None:
    Plan.objects.update(published_at=MONDAY - timedelta(days=3))
    book(plan, job, "DIG", start=MONDAY + timedelta(days=1), hours=3, crew=crew)
    Phase.objects.filter(job=job, code="LAYOUT").update(status="DONE", done_at=EVENING)

    with time_machine.travel(MONDAY + timedelta(days=8)):
        found = reader(owner).get(f"{ROOT}ppc/?from=2026-06-01").json()

    assert (found["promises"], found["kept"], found["percent"]) == (2, 1, 50.0)
    (week,) = found["weeks"]
    assert (week["week"], week["monday"]) == ("2026-W23", "2026-06-01")
    assert week["crews"][0]["crew"] == "Alder crew"
    assert week["causes"] == [{"cause": "", "misses": 1}]


@pytest.mark.parametrize("query", ["from=2026-06-08&to=2026-06-01", "from=2016-01-01", "from=x"])
def test_weeks_that_make_no_sense_are_refused(owner: AbstractUser, query: str) -> None:
    assert "from" in faults(reader(owner).get(f"{ROOT}ppc/?{query}"))


def test_ppc_is_the_owners_and_the_offices(lead: AbstractUser, stranger: AbstractUser) -> None:
    assert reader(lead).get(f"{ROOT}ppc/").status_code == 403
    assert reader(stranger).get(f"{ROOT}ppc/").status_code == 403
