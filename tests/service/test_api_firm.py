"""Backlog and crews through the API."""

from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from jobs.models import Booking, Job, Phase
from jobs.services import planning, publishing
from tests.factories import CrewFactory, DayOffFactory, PhaseFactory
from tests.service.api import ROOT, book, book_all, make_plan, morning, reader
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


def get(user: Any, path: str) -> dict[str, Any]:
    response = reader(user).get(ROOT + path)
    assert response.status_code == 200, response.content
    return response.json()


def only_phase(code: str, hours: float, **columns: Any) -> Job:
    """Return a job that consists of one phase, next door to the yard."""
    job = make_job(drive_minutes=0, **columns)
    job.phases.all().delete()
    PhaseFactory(job=job, code=code, labor_hours=hours)
    return job


def test_an_empty_firm_has_an_empty_backlog(owner: Any):
    body = get(owner, "backlog/")

    assert (body["jobs"], body["crew_days"], body["not_earned_usd"]) == (0, 0.0, "0.00")
    assert (body["plan"], body["weeks"], body["by_crew"]) == (None, None, [])


def test_only_signed_work_that_is_not_done_is_backlog(owner: Any):
    only_phase("FRAME", 10, contract_value_usd=1)
    only_phase("FRAME", 10, contract_value_usd=10, status="ON_HOLD")
    only_phase("FRAME", 10, contract_value_usd=100, status="CANCELLED")
    only_phase("FRAME", 10, contract_value_usd=1000, status="DONE", completed_on=date(2026, 5, 1))

    body = get(owner, "backlog/")

    assert (body["jobs"], body["labor_hours"], body["not_earned_usd"]) == (2, 20.0, "11.00")


def test_crew_days_are_hours_left_over_what_the_booked_crew_does_in_a_day(owner: Any):
    """A crew of four at pace 1 works 4 × 8.5 = 34 labor hours a day next to the yard."""
    (crew,) = make_firm(crews=1)
    job = only_phase("FRAME", 68)
    book(make_plan(), job, "FRAME", start=morning(), hours=2, crew=crew)

    body = get(owner, "backlog/")

    assert (body["crew_days"], body["by_crew"][0]["crew_days"]) == (2.0, 2.0)
    assert body["unbooked_crew_days"] == 0.0


def test_driving_to_a_far_site_takes_more_crew_days(owner: Any):
    """An hour each way leaves 6.5 of 8.5 hours."""
    (crew,) = make_firm(crews=1)
    job = only_phase("FRAME", 4 * 6.5)
    Job.objects.update(drive_minutes=60)
    book(make_plan(), job, "FRAME", start=morning(), hours=2, crew=crew)

    assert get(owner, "backlog/")["crew_days"] == 1.0


def test_people_beyond_what_a_phase_can_use_do_not_count(owner: Any):
    """At most four people dig holes, however large the crew."""
    make_firm(crews=0)
    crew = CrewFactory(size=8)
    book(make_plan(), only_phase("DIG", 34), "DIG", start=morning(), hours=2, crew=crew)

    assert get(owner, "backlog/")["crew_days"] == 1.0


def test_work_that_is_not_booked_counts_by_the_mean_of_the_crews_that_may_do_it(owner: Any):
    """Crews of two and four make (17 + 34) / 2 labor hours a day; painters of one do not frame."""
    make_firm(crews=0)
    CrewFactory(size=2)
    CrewFactory(size=4)
    CrewFactory(size=6, skills=["FINISH"])
    only_phase("FRAME", 51)

    body = get(owner, "backlog/")

    assert (body["crew_days"], body["unbooked_crew_days"]) == (2.0, 2.0)


def test_work_that_no_active_crew_may_do_has_no_crew_days(owner: Any):
    make_firm(crews=0)
    CrewFactory(skills=["FINISH"])
    only_phase("FRAME", 51)

    body = get(owner, "backlog/")

    assert (body["labor_hours"], body["crew_days"], body["weeks"]) == (51.0, None, None)


def test_work_done_in_part_counts_with_what_is_left(owner: Any):
    make_firm(crews=1)
    only_phase("FRAME", 100, contract_value_usd=Decimal("1000.00"))
    Phase.objects.update(status="UNDER_WAY", started_at=MONDAY, share_done=0.75)

    body = get(owner, "backlog/")

    assert (body["labor_hours"], body["not_earned_usd"]) == (25.0, "250.00")


def test_parts_by_use_and_foundation_make_the_whole(owner: Any):
    make_firm(crews=1)
    make_job(use="SHOP", foundation="POURED_PIER", contract_value_usd=Decimal("0.10"))
    make_job(use="HAY_BARN", foundation="POURED_PIER", contract_value_usd=Decimal("0.20"))
    make_job(use="HAY_BARN", foundation="PRECAST_PIER", contract_value_usd=Decimal("0.30"))

    body = get(owner, "backlog/")

    uses = {row["use"]: row["not_earned_usd"] for row in body["by_use"]}
    foundations = {row["foundation"]: row["jobs"] for row in body["by_foundation"]}
    assert uses == {"HAY_BARN": "0.50", "SHOP": "0.10"}
    assert foundations == {"POURED_PIER": 2, "PRECAST_PIER": 1}
    assert body["not_earned_usd"] == "0.60"
    assert sum(row["labor_hours"] for row in body["by_use"]) == pytest.approx(
        body["labor_hours"], abs=0.2
    )


def test_a_crew_comes_free_on_the_work_day_after_its_last_booking(owner: Any):
    """The last booking ends on Friday, June 5; Monday, June 8 is a day off."""
    (crew,) = make_firm(crews=1)
    DayOffFactory(crew=crew, first_day=date(2026, 6, 8))
    book(make_plan(), only_phase("FRAME", 68), "FRAME", start=morning(4), hours=2, crew=crew)

    free = {
        get(owner, "backlog/")["by_crew"][0]["comes_free_on"],
        get(owner, "crews/")["results"][0]["comes_free_on"],
    }

    assert free == {"2026-06-09"}


def test_a_crew_without_bookings_is_free_today(owner: Any):
    make_firm(crews=1)

    assert get(owner, "crews/")["results"][0]["comes_free_on"] == "2026-06-01"


def test_a_booking_whose_phase_is_done_keeps_no_crew(owner: Any):
    (crew,) = make_firm(crews=1)
    book(make_plan(), only_phase("FRAME", 68), "FRAME", start=morning(9), hours=2, crew=crew)
    Phase.objects.update(status="DONE", done_at=MONDAY)

    assert get(owner, "crews/")["results"][0]["comes_free_on"] == "2026-06-01"


def test_crews_show_size_skills_and_active_ones_only(owner: Any):
    make_firm(crews=0)
    CrewFactory(name="Crew A", size=3, skills=["STEEL", "FRAMING"])
    CrewFactory(name="Crew B", is_active=False)

    (row,) = get(owner, "crews/")["results"]

    assert (row["name"], row["size"], row["skills"]) == ("Crew A", 3, ["FRAMING", "STEEL"])


def test_hours_are_booked_to_the_week_in_which_they_are_worked(owner: Any):
    """Friday 9:00 to Monday 9:00 is 6.5 hours on Friday and 2 on Monday."""
    (crew,) = make_firm(crews=1)
    job = only_phase("FRAME", 68)
    booking = book(make_plan(), job, "FRAME", start=morning(4), hours=72, crew=crew)
    assert booking.ends_at == morning(7)

    weeks = get(owner, "crews/")["results"][0]["load"]

    assert [(week["week"], week["on_site_hours"]) for week in weeks] == [
        ("2026-W23", 6.5),
        ("2026-W24", 2.0),
    ]
    assert [week["booked_hours"] for week in weeks] == [6.5, 2.0]


def test_a_day_booked_in_full_at_a_far_site_is_a_full_day_of_the_crew(owner: Any):
    """8:00 to 14:30 on site is all that an hour's drive leaves of 7:00 to 15:30."""
    (crew,) = make_firm(crews=1)
    job = only_phase("FRAME", 68)
    Job.objects.update(drive_minutes=60)
    start = MONDAY.replace(hour=8)
    book(make_plan(), job, "FRAME", start=start, hours=6.5, crew=crew)

    (week,) = get(owner, "crews/")["results"][0]["load"]

    assert (week["on_site_hours"], week["booked_hours"]) == (6.5, 8.5)


def test_working_hours_of_a_week_leave_out_days_off(owner: Any):
    make_firm(crews=1)
    DayOffFactory(first_day=date(2026, 6, 3))

    (week,) = get(owner, "crews/")["results"][0]["load"]

    assert week["working_hours"] == 4 * 8.5


def test_the_hours_of_a_real_plan_are_all_found_in_the_weeks(owner: Any):
    """Independent count: the planner's own working hours of each booking."""
    make_firm(crews=2)
    for drive_minutes in (0, 25, 60):
        make_job(drive_minutes=drive_minutes)
    draft = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=draft.pk, now=MONDAY)

    rows = get(owner, "crews/")["results"]

    for row in rows:
        mine = Booking.objects.filter(plan=draft, crew__name=row["name"])
        planned = sum(booking.work_hours for booking in mine)
        assert sum(week["on_site_hours"] for week in row["load"]) == planned
        assert all(week["booked_hours"] <= week["working_hours"] for week in row["load"])


@pytest.mark.either_database
@pytest.mark.parametrize("path", ["backlog/", "crews/"])
def test_queries_do_not_grow_with_jobs_or_crews(path: str, owner: Any):
    make_firm(crews=0)
    plan = make_plan()
    client = reader(owner)

    def queries(count: int) -> int:
        for _ in range(count):
            crew = CrewFactory()
            DayOffFactory(crew=crew)
            book_all(plan, make_job(), crew, start=morning())
        with CaptureQueriesContext(connection) as captured:
            assert client.get(ROOT + path).status_code == 200
        return len(captured)

    assert queries(3) == queries(9)
