"""Jobs through the API: what the list says, how it is narrowed, and one job in full."""

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from jobs.models import Booking, Job, Phase, PlannedWait
from tests.service.api import ROOT, book, book_all, faults, make_plan, morning, reader
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


def numbers(user: Any, query: str) -> list[str]:
    """Return the numbers of the jobs that a query lists."""
    response = reader(user).get(f"{ROOT}jobs/?{query}")
    assert response.status_code == 200, response.content
    return [row["number"] for row in response.json()["results"]]


def line(user: Any) -> dict[str, Any]:
    """Return the only job of the list."""
    (row,) = reader(user).get(f"{ROOT}jobs/").json()["results"]
    return row


def test_a_planned_job_shows_its_dates_in_the_time_of_the_site(owner: Any):
    (crew,) = make_firm(crews=1)
    job = make_job(number="26-500", buyer_name="Ada Quill")
    book_all(make_plan(), job, crew, start=morning())

    row = line(owner)

    last = job.phases.count() - 1
    assert (row["number"], row["buyer"]) == ("26-500", "Ada Quill")
    assert row["building"] == "Shop 30×40×10, precast"
    assert row["planned_start"] == "2026-06-01T09:00:00-04:00"
    assert row["planned_finish"] == f"2026-06-{1 + last:02d}T11:00:00-04:00"
    assert (row["promised"], row["days_late"]) == ("2026-07-31", 0)


def test_days_late_count_from_the_promise_to_the_planned_finish(owner: Any):
    (crew,) = make_firm(crews=1)
    job = make_job(promised_on=date(2026, 6, 2))
    book_all(make_plan(), job, crew, start=morning())

    row = line(owner)

    finish = date.fromisoformat(row["planned_finish"][:10])
    assert row["days_late"] == (finish - date(2026, 6, 2)).days > 0


def test_a_job_that_is_planned_in_part_has_no_planned_finish(owner: Any):
    (crew,) = make_firm(crews=1)
    job = make_job()
    book(make_plan(), job, "LAYOUT", start=morning(), hours=2, crew=crew)

    row = line(owner)

    assert row["planned_start"] == "2026-06-01T09:00:00-04:00"
    assert (row["planned_finish"], row["days_late"]) == (None, None)


def test_value_not_earned_falls_with_the_labor_hours_done(owner: Any):
    make_firm()
    job = make_job(contract_value_usd=Decimal("10000.00"))
    job.phases.update(office_hours=0.25)
    job.phases.filter(code="FRAME").update(office_hours=30)
    others = job.phases.exclude(code="FRAME").exclude(code__endswith="_INSPECTION")
    crew_hours = 0.25 * others.count()
    job.phases.filter(code="FRAME").update(status="UNDER_WAY", started_at=MONDAY, share_done=0.5)

    row = line(owner)

    left = (15 + crew_hours) / (30 + crew_hours)
    assert Decimal(row["not_earned_usd"]) == round(Decimal(10000 * left), 2)
    assert row["stage"] == "Frame walls 50%"


def test_a_finished_job_has_nothing_left_to_earn(owner: Any):
    make_firm()
    make_job(status="DONE", completed_on=date(2026, 5, 20))

    assert line(owner)["not_earned_usd"] == "0.00"


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("status=ON_HOLD", ["26-002"]),
        ("foundation=POURED_PIER", ["26-003"]),
        ("use=HAY_BARN", ["26-002", "26-003"]),
        ("use=HAY_BARN&status=SIGNED", ["26-003"]),
        ("search=quill", ["26-001"]),
        ("search=26-00", ["26-001", "26-002", "26-003"]),
        ("search=corner", ["26-001", "26-002", "26-003"]),
        ("ordering=-number", ["26-003", "26-002", "26-001"]),
        ("ordering=-contract_value_usd", ["26-002", "26-003", "26-001"]),
        ("ordering=promised", ["26-003", "26-001", "26-002"]),
        ("ordering=-promised", ["26-001", "26-003", "26-002"]),
        ("page_size=2", ["26-001", "26-002"]),
        ("page_size=2&page=2", ["26-003"]),
    ],
)
def test_the_list_is_narrowed_and_ordered(query: str, expected: list[str], owner: Any):
    make_job(number="26-001", buyer_name="Ada Quill", contract_value_usd=10)
    make_job(
        number="26-002",
        use="HAY_BARN",
        status="ON_HOLD",
        contract_value_usd=30,
        promised_on=None,
    )
    make_job(
        number="26-003",
        use="HAY_BARN",
        foundation="POURED_PIER",
        contract_value_usd=20,
        promised_on=date(2026, 7, 1),
    )

    assert numbers(owner, query) == expected


@pytest.fixture
def _early_late_and_unplanned(db: None) -> None:
    """Job A keeps its promise, B breaks it, C has no promise, D is planned in part."""
    (crew,) = make_firm(crews=1)
    plan = make_plan()
    book_all(plan, make_job(number="A", promised_on=date(2026, 7, 31)), crew, start=morning())
    book_all(plan, make_job(number="B", promised_on=date(2026, 6, 20)), crew, start=morning(20))
    book_all(plan, make_job(number="C", promised_on=None), crew, start=morning(40))
    part = make_job(number="D", promised_on=date(2026, 6, 2))
    book(plan, part, "LAYOUT", start=morning(60), hours=2, crew=crew)


@pytest.mark.usefixtures("_early_late_and_unplanned")
@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("late=true", ["B"]),
        ("late=false", ["A", "C", "D"]),
        ("planned_finish_before=2026-06-15", ["A"]),
        ("planned_finish_after=2026-06-22", ["B", "C"]),
        ("planned_finish_after=2026-06-22&planned_finish_before=2026-07-05", ["B"]),
        ("ordering=-planned_finish", ["D", "C", "B", "A"]),
    ],
)
def test_jobs_are_found_by_what_is_planned(query: str, expected: list[str], owner: Any):
    assert numbers(owner, query) == expected


@pytest.mark.usefixtures("_early_late_and_unplanned")
def test_the_day_of_a_finish_is_the_day_at_the_site(owner: Any):
    finish = Booking.objects.filter(phase__job__number="A").latest("ends_at")
    # Half past nine in the evening at the site is the next day in UTC.
    late_evening = finish.ends_at.astimezone(MONDAY.tzinfo).replace(hour=21, minute=30)
    Booking.objects.filter(pk=finish.pk).update(ends_at=late_evening)

    day = late_evening.date().isoformat()

    assert numbers(owner, f"planned_finish_before={day}&planned_finish_after={day}") == ["A"]


@pytest.mark.parametrize(
    ("query", "field", "value", "remedy"),
    [
        ("status=SOLD", "status", "SOLD", "Enter one of SIGNED, ON_HOLD, DONE, CANCELLED."),
        ("late=perhaps", "late", "perhaps", "Enter true or false."),
        (
            "planned_finish_before=2026-02-30",
            "planned_finish_before",
            "2026-02-30",
            "Enter year, month and day, like 2026-06-01.",
        ),
        ("page_size=201", "page_size", "201", "Enter a whole number from 1 to 200."),
        ("page_size=0", "page_size", "0", "Enter a whole number from 1 to 200."),
        ("page_size=²", "page_size", "²", "Enter a whole number from 1 to 200."),
        ("page=2", "page", "2", "Enter a whole number from 1 to 1."),
        ("page=two", "page", "two", "Enter a whole number from 1 to 1."),
        ("page=", "page", "", "Enter a whole number from 1 to 1."),
        ("search=%00", "search", "'\\x00'", "Enter 1 to 80 printable characters."),
        ("status=DONE&status=SIGNED", "status", "DONE, SIGNED", "Give it once."),
    ],
)
def test_a_wrong_parameter_is_refused_with_the_way_out(
    query: str, field: str, value: str, remedy: str, owner: Any
):
    found = faults(reader(owner).get(f"{ROOT}jobs/?{query}"))

    assert (found[field]["value"], found[field]["remedy"]) == (value, remedy)


def test_a_parameter_misspelt_is_refused_and_not_passed_over(owner: Any):
    found = faults(reader(owner).get(f"{ROOT}jobs/?statu=DONE"))

    assert "foundation, late, ordering" in found["statu"]["remedy"]


def test_every_wrong_parameter_is_told_at_once(owner: Any):
    found = faults(reader(owner).get(f"{ROOT}jobs/?use=BOAT&late=x&colour=red"))

    assert set(found) == {"use", "late", "colour"}


@pytest.mark.either_database
def test_the_list_takes_as_many_queries_for_twelve_jobs_as_for_three(owner: Any):
    (crew,) = make_firm(crews=1)
    plan = make_plan()
    client = reader(owner)

    def queries(count: int) -> int:
        for _ in range(count):
            book_all(plan, make_job(), crew, start=morning(10 * Job.objects.count()))
        with CaptureQueriesContext(connection) as captured:
            rows = client.get(f"{ROOT}jobs/").json()["results"]
        assert len(rows) == Job.objects.count()
        return len(captured)

    assert queries(3) == queries(9)


def test_a_job_in_full_shows_phases_waits_take_off_and_cautions(owner: Any):
    (crew,) = make_firm(crews=1)
    job = make_job(number="26-500")
    plan = make_plan()
    book_all(plan, job, crew, start=morning())
    PlannedWait.objects.create(
        plan=plan,
        job=job,
        kind="LOCATE",
        before_code="DIG",
        starts_at=morning(),
        ends_at=morning(3),
        basis="Ticket called Jun 1",
    )

    body = reader(owner).get(f"{ROOT}jobs/26-500/").json()

    phases = {phase["code"]: phase for phase in body["phases"]}
    dig = phases["DIG"]
    assert list(phases) == [phase.code for phase in job.phases.order_by("sequence")]
    assert (dig["labor_hours"], dig["arithmetic"]) == (8.0, "16 × 0.5 = 8 h")
    assert (dig["crew"], dig["because"]) == (crew.name, "Nothing starts in the past")
    assert dig["planned_start"] == "2026-06-02T09:00:00-04:00"
    assert "live locate ticket" in dig["caution"]
    assert [wait["basis"] for wait in body["waits"]] == ["Ticket called Jun 1"]
    holes = next(row for row in body["take_off"] if row["code"] == "posts")
    assert holes["arithmetic"] == "2 × (5 + 1) + 2 × (⌈30/10⌉ − 1) = 16"
    assert "buried lines" in body["cautions"][0]["message"]
    assert body["faults"] == []


def test_hours_set_by_the_office_are_told_as_such(owner: Any):
    job = make_job(number="26-500")
    job.phases.filter(code="ROOF").update(office_hours=40)

    body = reader(owner).get(f"{ROOT}jobs/26-500/").json()

    roof = next(phase for phase in body["phases"] if phase["code"] == "ROOF")
    assert (roof["labor_hours"], roof["set_by_office"]) == (40.0, True)


def test_a_phase_that_is_left_out_is_not_shown(owner: Any):
    job = make_job(number="26-500")
    job.phases.filter(code="TRIM").update(status=Phase.Status.DROPPED)

    body = reader(owner).get(f"{ROOT}jobs/26-500/").json()

    assert "TRIM" not in {phase["code"] for phase in body["phases"]}


def test_a_stored_building_that_cannot_be_built_says_why_and_shows_the_rest(owner: Any):
    make_job(number="26-500")
    Job.objects.update(eave_ft=99)

    body = reader(owner).get(f"{ROOT}jobs/26-500/").json()

    assert body["take_off"] == []
    assert [fault["field"] for fault in body["faults"]] == ["eave_ft"]
    assert len(body["phases"]) > 5


def test_a_job_in_full_takes_as_many_queries_with_more_rows(owner: Any):
    (crew,) = make_firm(crews=1)
    short, long = make_job(number="26-001"), make_job(number="26-002")
    plan = make_plan()
    book(plan, short, "LAYOUT", start=morning(), hours=2, crew=crew)
    book_all(plan, long, crew, start=morning(1))
    client = reader(owner)

    def queries(number: str) -> int:
        with CaptureQueriesContext(connection) as captured:
            assert client.get(f"{ROOT}jobs/{number}/").status_code == 200
        return len(captured)

    assert queries("26-001") == queries("26-002")
