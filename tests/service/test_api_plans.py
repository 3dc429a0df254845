"""Plans, comparisons and bookings through the API."""

from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from jobs.models import Booking, Plan
from jobs.selectors import plan_json
from tests.service.api import ROOT, book, book_all, faults, make_plan, morning, reader
from tests.service.portfolio import make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


def get(user: Any, path: str) -> dict[str, Any]:
    response = reader(user).get(ROOT + path)
    assert response.status_code == 200, response.content
    return response.json()


def test_plans_are_listed_newest_first(owner: Any):
    (crew,) = make_firm(crews=1)
    old = make_plan(Plan.Status.REPLACED)
    new = make_plan(unplanned=[{"job": "26-001", "phase": "ROOF", "reason": "no crew"}])
    book(new, make_job(), "LAYOUT", start=morning(), hours=2, crew=crew)

    rows = get(owner, "plans/")["results"]

    assert [row["id"] for row in rows] == [new.pk, old.pk]
    assert (rows[0]["status"], rows[0]["bookings"], rows[0]["unplanned"]) == ("PUBLISHED", 1, 1)


def test_plans_are_narrowed_by_status(owner: Any):
    make_plan(Plan.Status.REPLACED)
    draft = make_plan(Plan.Status.DRAFT)

    assert [row["id"] for row in get(owner, "plans/?status=DRAFT")["results"]] == [draft.pk]


def test_a_plan_is_the_same_as_the_command_writes_it(owner: Any):
    (crew,) = make_firm(crews=1)
    plan = make_plan(objective={"total": 10.0, "late_jobs": 0, "bound": {"total": 8.0}})
    book_all(plan, make_job(), crew, start=morning())

    body = get(owner, f"plans/{plan.pk}/")

    assert body == plan_json.plan_as_json(plan)
    assert (body["plan"]["gap"], len(body["promises"])) == (0.2, 1)


def test_a_comparison_tells_old_and_new_crew_start_finish_and_days(owner: Any):
    one, other = make_firm(crews=2)
    job = make_job(number="26-500")
    published, draft = make_plan(), make_plan(Plan.Status.DRAFT)
    book(published, job, "LAYOUT", start=morning(), hours=2, crew=one)
    book(draft, job, "LAYOUT", start=morning(3), hours=2, crew=other)

    body = get(owner, f"plans/{draft.pk}/comparison/")

    assert (body["plan"], body["against"]) == (draft.pk, published.pk)
    assert body["moved"] == [
        {
            "job": "26-500",
            "phase": "LAYOUT",
            "part": 1,
            "old_crew": one.name,
            "new_crew": other.name,
            "old_start": "2026-06-01T09:00:00-04:00",
            "new_start": "2026-06-04T09:00:00-04:00",
            "old_finish": "2026-06-01T11:00:00-04:00",
            "new_finish": "2026-06-04T11:00:00-04:00",
            "days": 3,
            "finish_days": 3,
        }
    ]


def test_a_comparison_tells_what_is_added_removed_and_left_alone(owner: Any):
    (crew,) = make_firm(crews=1)
    job = make_job(number="26-500")
    published, draft = make_plan(), make_plan(Plan.Status.DRAFT)
    for plan in (published, draft):
        book(plan, job, "LAYOUT", start=morning(), hours=2, crew=crew)
    book(published, job, "DIG", start=morning(1), hours=2, crew=crew)
    book(draft, job, "ROOF", start=morning(2), hours=2, crew=crew)

    body = get(owner, f"plans/{draft.pk}/comparison/")

    assert [row["phase"] for row in body["added"]] == ["ROOF"]
    assert [row["phase"] for row in body["removed"]] == ["DIG"]
    assert (body["moved"], body["same"]) == ([], 1)


def test_a_comparison_tells_which_promises_change_sides(owner: Any):
    (crew,) = make_firm(crews=1)
    published, draft = make_plan(), make_plan(Plan.Status.DRAFT)
    jobs = {
        "LOST": make_job(number="LOST", promised_on=date(2026, 6, 20)),
        "SAVED": make_job(number="SAVED", promised_on=date(2026, 6, 20)),
        "KEPT": make_job(number="KEPT", promised_on=date(2026, 12, 1)),
    }
    book_all(published, jobs["LOST"], crew, start=morning())
    book_all(draft, jobs["LOST"], crew, start=morning(30))
    book_all(published, jobs["SAVED"], crew, start=morning(60))
    book_all(draft, jobs["SAVED"], crew, start=morning())
    book_all(published, jobs["KEPT"], crew, start=morning(80))
    book_all(draft, jobs["KEPT"], crew, start=morning(81))

    body = get(owner, f"plans/{draft.pk}/comparison/")

    changes = {row["job"]: row["change"] for row in body["promises"]}
    assert changes == {"LOST": "kept -> lost", "SAVED": "lost -> kept"}


def test_a_plan_is_compared_with_any_other_plan(owner: Any):
    (crew,) = make_firm(crews=1)
    job = make_job()
    make_plan()
    old, draft = make_plan(Plan.Status.REPLACED), make_plan(Plan.Status.DRAFT)
    for plan in (old, draft):
        book(plan, job, "LAYOUT", start=morning(), hours=2, crew=crew)

    body = get(owner, f"plans/{draft.pk}/comparison/?against={old.pk}")

    assert (body["against"], body["same"]) == (old.pk, 1)


def test_everything_is_added_while_nothing_is_published(owner: Any):
    (crew,) = make_firm(crews=1)
    draft = make_plan(Plan.Status.DRAFT)
    book(draft, make_job(), "LAYOUT", start=morning(), hours=2, crew=crew)

    body = get(owner, f"plans/{draft.pk}/comparison/")

    assert (body["against"], len(body["added"])) == (None, 1)


@pytest.mark.parametrize("against", ["0", "77", "last", "9" * 30])
def test_a_plan_cannot_be_compared_with_one_that_does_not_exist(against: str, owner: Any):
    plan = make_plan()

    found = faults(reader(owner).get(f"{ROOT}plans/{plan.pk}/comparison/?against={against}"))

    assert str(found["against"]["value"]) == against
    assert found["against"]["remedy"].startswith("Enter")


def test_bookings_are_those_of_the_published_plan_in_order_of_time(owner: Any):
    (crew,) = make_firm(crews=1)
    job = make_job(number="26-500")
    published, draft = make_plan(), make_plan(Plan.Status.DRAFT)
    book(published, job, "DIG", start=morning(4), hours=2, crew=crew)
    book(published, job, "LAYOUT", start=morning(), hours=2, crew=crew)
    book(draft, job, "ROOF", start=morning(9), hours=2, crew=crew)

    rows = get(owner, "bookings/")["results"]

    assert [row["phase"] for row in rows] == ["LAYOUT", "DIG"]
    assert rows[0] == {
        "job": "26-500",
        "phase": "LAYOUT",
        "part": 1,
        "crew": crew.name,
        "equipment": [],
        "starts_at": "2026-06-01T09:00:00-04:00",
        "ends_at": "2026-06-01T11:00:00-04:00",
        "work_hours": 2.0,
        "pinned": False,
        "because": "Nothing starts in the past",
    }


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("from=2026-06-02", ["DIG", "ROOF"]),
        ("to=2026-06-04", ["LAYOUT", "DIG"]),
        ("from=2026-06-03&to=2026-06-03", ["DIG"]),
        ("crew=Crew B", ["ROOF"]),
        ("crew=Crew A&from=2026-06-02", ["DIG"]),
        ("from=0001-01-01&to=9999-12-31", ["LAYOUT", "DIG", "ROOF"]),
    ],
)
def test_bookings_are_narrowed_by_days_and_crew(query: str, expected: list[str], owner: Any):
    """Layout is on June 1, digging runs from June 2 to 4, the roof is on June 10."""
    one, other = make_firm(crews=2)
    for crew, name in ((one, "Crew A"), (other, "Crew B")):
        crew.name = name
        crew.save()
    job, plan = make_job(), make_plan()
    book(plan, job, "LAYOUT", start=morning(), hours=2, crew=one)
    book(plan, job, "DIG", start=morning(1), hours=50, crew=one)
    book(plan, job, "ROOF", start=morning(9), hours=2, crew=other)

    assert [row["phase"] for row in get(owner, f"bookings/?{query}")["results"]] == expected


def test_bookings_of_an_unknown_crew_are_refused_with_the_crews_there_are(owner: Any):
    (crew,) = make_firm(crews=1)

    found = faults(reader(owner).get(f"{ROOT}bookings/?crew=Nobody"))

    assert found["crew"]["remedy"] == f"Enter one of {crew.name}."


def test_days_the_wrong_way_round_are_refused(owner: Any):
    found = faults(reader(owner).get(f"{ROOT}bookings/?from=2026-06-09&to=2026-06-01"))

    assert found["to"]["remedy"] == "Enter 2026-06-09 or later."


@pytest.mark.either_database
@pytest.mark.parametrize(
    "path", ["plans/", "bookings/", "plans/{plan}/", "plans/{draft}/comparison/"]
)
def test_queries_do_not_grow_with_the_rows(path: str, owner: Any):
    (crew,) = make_firm(crews=1)
    plan, draft = make_plan(), make_plan(Plan.Status.DRAFT)
    client = reader(owner)

    def queries(jobs: int) -> int:
        for _ in range(jobs):
            job, days = make_job(), Booking.objects.count()
            book_all(plan, job, crew, start=morning(days))
            book_all(draft, job, crew, start=morning(days + 1))
            make_plan(Plan.Status.REPLACED)
        address = ROOT + path.format(plan=plan.pk, draft=draft.pk)
        with CaptureQueriesContext(connection) as captured:
            assert client.get(address).status_code == 200
        return len(captured)

    assert queries(3) == queries(9)


def test_plans_bookings_and_crews_are_put_in_order(owner: Any):
    crew, other = make_firm(crews=2)
    numbers = ("26-001", "26-002")
    jobs = [make_job(number=number, buyer_name=f"Buyer {number}") for number in numbers]
    old, plan = make_plan(status="REPLACED", seconds=9.0), make_plan(seconds=1.0)
    book(plan, jobs[0], "DIG", start=morning(2), hours=2, crew=crew)
    book(plan, jobs[1], "DIG", start=morning(1), hours=2, crew=other)
    client = reader(owner)

    def listed(address: str, name: str) -> list[Any]:
        return [row[name] for row in client.get(ROOT + address).json()["results"]]

    assert listed("plans/", "id") == [plan.pk, old.pk]
    assert listed("plans/?ordering=-seconds", "id") == [old.pk, plan.pk]
    assert listed("plans/?ordering=-published_at", "id")[0] == plan.pk
    assert listed("bookings/?ordering=-starts_at", "job") == ["26-001", "26-002"]
    assert listed("bookings/?job=26-002&phase=DIG", "crew") == [other.name]
    assert listed("bookings/?search=buyer 26-001", "crew") == [crew.name]
    assert listed("crews/?ordering=-name", "name") == sorted((crew.name, other.name))[::-1]
    assert listed(f"crews/?search={other.name.upper()}", "name") == [other.name]
