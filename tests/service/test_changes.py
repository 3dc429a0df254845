"""Who changed what, when, from what to what."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.test import Client
from django.urls import reverse

from crews.models import Crew
from jobs.models import Booking, Change, Job, Phase, Plan
from jobs.services import pinning, planning, publishing
from jobs.services.changes import columns_of, record_change
from tests.factories import CrewFactory, DeliveryFactory, JobFactory
from tests.service.portfolio import MONDAY, ZONE, make_firm, make_job

pytestmark = pytest.mark.django_db


@pytest.fixture
def desk(client: Client, office: AbstractUser) -> Client:
    client.force_login(office)
    return client


def test_a_changed_row_is_told_column_by_column_in_words(office: AbstractUser) -> None:
    job = JobFactory(status="SIGNED")
    before = columns_of(job)
    crew = CrewFactory(name="Alder crew")
    job.status, job.preferred_crew, job.promised_on = "ON_HOLD", crew, date(2026, 9, 4)
    job.save()

    change = record_change(row=job, before=before, now=MONDAY, by=office)

    assert change is not None
    assert (change.action, change.kind, change.by_name) == ("CHANGED", "job", "office")
    assert (change.job, change.row, change.at) == (job, str(job.pk), MONDAY)
    assert {one["column"]: (one["old"], one["new"]) for one in change.what} == {
        "status": ("Signed", "On hold"),
        "promised on": ("2026-07-31", "2026-09-04"),
        "preferred crew": ("", "Alder crew"),
    }


def test_what_is_saved_as_it_was_leaves_no_record() -> None:
    job = JobFactory()

    assert record_change(row=job, before=columns_of(job), now=MONDAY) is None


def test_a_new_row_is_told_with_what_it_holds() -> None:
    delivery = DeliveryFactory(supplier="")

    change = record_change(row=delivery, before=None, now=MONDAY)

    assert change is not None
    assert (change.action, change.job) == ("ADDED", delivery.job)
    assert "supplier" not in {one["column"] for one in change.what}


def test_a_row_that_goes_is_told_with_what_it_held() -> None:
    crew = CrewFactory(name="Birch crew")

    change = record_change(row=crew, before=columns_of(crew), now=MONDAY, is_removed=True)

    assert change is not None
    assert (change.action, change.name) == ("REMOVED", "Birch crew")
    assert {"column": "name", "old": "Birch crew", "new": ""} in change.what


def test_a_record_goes_with_its_transaction() -> None:
    job = JobFactory()

    def killed_while_writing() -> None:
        with transaction.atomic():
            record_change(row=job, before=None, now=MONDAY)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        killed_while_writing()

    assert not Change.objects.exists()


def changes(**given: Any) -> list[Change]:
    return list(Change.objects.filter(**given).order_by("id"))


def test_publishing_records_each_booking_that_moves(office: AbstractUser) -> None:
    make_firm()
    job = make_job(number="26-001")
    first = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=first.pk, now=MONDAY)
    booked = Booking.objects.filter(plan=first)
    assert len(changes(kind="booking", action="ADDED")) == booked.count()
    Change.objects.all().delete()

    punch = booked.get(phase__code="PUNCH")
    wanted = pinning.pin(
        phase_id=punch.phase_id,
        crew_id=punch.crew_id,
        starts_at=(punch.starts_at + timedelta(days=5)).astimezone(ZONE).replace(hour=9, minute=0),
        now=MONDAY,
        by=office,
    )
    assert wanted.base is not None
    publishing.publish(plan_id=wanted.base.pk, now=MONDAY, by=office)

    moved = [change for change in changes(kind="booking") if "Clean up" in change.name]
    assert [(change.action, change.job, change.by) for change in moved] == [
        ("CHANGED", job, office)
    ]
    assert [one["column"] for one in moved[0].what] == ["start", "end"]
    (pinned,) = changes(kind="phase")
    assert {one["column"] for one in pinned.what} == {"pinned start at", "pinned crew"}


def test_publishing_what_is_published_records_no_move() -> None:
    make_firm()
    make_job(number="26-001")
    for _ in range(2):
        plan = planning.plan_now(now=MONDAY, budget_seconds=0)
        publishing.publish(plan_id=plan.pk, now=MONDAY)

    assert {change.action for change in changes(kind="booking")} == {"ADDED"}


def test_work_that_is_done_is_no_booking_taken_away() -> None:
    make_firm()
    make_job(number="26-001")
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=MONDAY)
    Phase.objects.filter(code="LAYOUT").update(status="DONE", done_at=MONDAY)

    after = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=after.pk, now=MONDAY)

    assert not changes(action="REMOVED")
    assert Plan.objects.get(status="PUBLISHED") == after


def test_what_the_office_enters_on_a_phase_is_on_record(desk: Client, office: AbstractUser) -> None:
    make_firm()
    job = make_job(number="26-001")
    layout = job.phases.get(code="LAYOUT")
    data = {"status": "OPEN", "share_done": "0", "office_hours": "9"}

    desk.post(reverse("admin:jobs_phase_change", args=[layout.pk]), data)

    (change,) = changes(kind="phase")
    assert (change.by, change.job) == (office, job)
    assert change.what == [{"column": "hours set by the office", "old": "", "new": "9"}]


def test_a_job_page_shows_its_changes(desk: Client, office: AbstractUser) -> None:
    make_firm()
    job: Job = make_job(number="26-001")
    before = columns_of(job)
    job.notes = "Gate code <4711>"
    job.save()
    record_change(row=job, before=before, now=MONDAY, by=office)

    page = desk.get(reverse("admin:jobs_job_change", args=[job.pk])).content.decode()

    assert "notes: – → Gate code &lt;4711&gt;" in page


def test_a_crew_that_is_changed_in_the_admin_is_on_record(desk: Client) -> None:
    crew: Crew = CrewFactory(name="Alder crew")
    day = reverse("admin:crews_dayoff_add")
    desk.post(
        day,
        {"first_day": "2026-07-03", "last_day": "2026-07-03", "reason": "Fair", "crew": crew.pk},
    )

    (change,) = changes(kind="day off")
    assert change.action == "ADDED"
    assert {"column": "crew", "old": "", "new": "Alder crew"} in change.what
