"""Draft against published: who is told what, which jobs move, and publishing a part of it."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from jobs.models import Booking, Job, Notice, Plan
from jobs.selectors import plans
from jobs.selectors.draft_changes import latest_comparison
from jobs.services import planning
from tests.service.inspecting import booked, finish, publish, published_job
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]

DRAFT = "desk:draft"


@pytest.fixture
def signed_in(client: Client, office: Any) -> Client:
    client.force_login(office)
    return client


def drafted(*, moved: int = 1, jobs: int = 2) -> tuple[list[Job], Plan]:
    """Return jobs that are published, the first of them drafted to begin two months later."""
    make_firm()
    found = [make_job(number=f"26-{n:03d}") for n in range(1, jobs + 1)]
    publish()
    later = (MONDAY + timedelta(days=60)).date()
    Job.objects.filter(pk__in=[job.pk for job in found[:moved]]).update(earliest_start_on=later)
    draft = planning.repair_now(reason="a test", now=MONDAY).base
    assert draft is not None
    return found, draft


def publish_part(client: Client, draft: Plan, *jobs: Job) -> Any:
    address = reverse("desk:publish_part", args=[draft.pk])
    return client.post(address, {"job": [job.pk for job in jobs]}, follow=True)


def test_it_shows_each_job_that_changes_with_old_and_new_days(signed_in: Client):
    (moved, stays), draft = drafted()
    old = Booking.objects.filter(is_live=True, phase__job=moved).earliest("starts_at")
    new = Booking.objects.filter(plan=draft, phase__job=moved).earliest("starts_at")

    rows = signed_in.get(reverse(DRAFT)).context["jobs"]

    (row,) = rows
    assert row.change.job == moved
    assert row.was.startswith(f"{old.starts_at:%a %b} {old.starts_at.day}")
    assert row.becomes.startswith(f"{new.starts_at:%a %b} {new.starts_at.day}")
    assert row.must
    assert stays.number not in str(rows)


def test_it_tells_each_person_exactly_what_the_message_will_say(signed_in: Client):
    _, draft = drafted()
    shown = {row.name: row.lines for row in signed_in.get(reverse(DRAFT)).context["people"]}
    Notice.objects.all().delete()

    signed_in.post(reverse("admin:jobs_plan_publish", args=[draft.pk]))

    sent = Notice.objects.filter(kind=Notice.Kind.PLAN)
    assert {row.name: tuple(row.body.split("\n")) for row in sent} == shown
    assert shown


def test_a_part_that_is_ready_is_published_by_two_presses(signed_in: Client):
    (moved, stays), draft = drafted(moved=2)
    Job.objects.filter(pk=stays.pk).update(earliest_start_on=None)
    live = Booking.objects.filter(is_live=True, phase__job=stays).order_by("phase")
    before = list(live.values_list("phase", "starts_at"))

    page = signed_in.get(reverse(DRAFT), {"job": moved.pk})
    assert "This part is ready" in page.content.decode()
    answer = publish_part(signed_in, draft, moved)

    assert f"only job {moved.number} moved" in answer.content.decode()
    assert list(live.all().values_list("phase", "starts_at")) == before
    # What is left waits as the next draft.
    (left,) = answer.context["jobs"]
    assert left.change.job == stays


def test_work_that_was_done_as_planned_is_no_change(signed_in: Client):
    job = published_job()
    layout = booked(job, "LAYOUT")
    finish(job, "LAYOUT", at=layout.ends_at)
    planning.repair_now(reason="a report", now=layout.ends_at)

    draft, _, found = latest_comparison()

    assert draft is not None
    assert found is not None
    assert (found.moved, found.added, found.removed) == ((), (), ())
    assert not signed_in.get(reverse(DRAFT)).context["jobs"]


def test_a_part_that_is_not_ready_says_why_and_what_it_needs(signed_in: Client):
    (one, other), draft = drafted(moved=2)

    answer = publish_part(signed_in, draft, one)

    words = answer.content.decode()
    assert "Nothing is published." in words
    assert "This part cannot be published by itself" in words
    assert f"Take job {other.number} along" in words
    assert plans.published_plan() != draft
    along = signed_in.get(reverse(DRAFT), {"job": [one.pk, other.pk]})
    assert "This part is ready" in along.content.decode()


def test_a_draft_that_was_replaced_meanwhile_is_refused(signed_in: Client):
    (moved, _), old = drafted()
    planning.repair_now(reason="another", now=MONDAY)

    answer = publish_part(signed_in, old, moved)

    assert "no draft any more" in answer.content.decode()


@pytest.mark.either_database
@pytest.mark.parametrize("jobs", [[], ["x"], ["²"], ["99999999999999999999"], ["-1"], ["123456"]])
def test_nonsense_is_refused_or_left_out(signed_in: Client, jobs: list[str]):
    _, draft = drafted()

    assert signed_in.get(reverse(DRAFT), {"job": jobs}).status_code == 200
    address = reverse("desk:publish_part", args=[draft.pk])
    assert signed_in.post(address, {"job": jobs}, follow=True).status_code == 200
    draft.refresh_from_db()
    assert draft.status == Plan.Status.DRAFT


def test_without_a_draft_and_without_a_published_plan_it_says_so(signed_in: Client):
    assert "No draft waits." in signed_in.get(reverse(DRAFT)).content.decode()
    make_firm()
    make_job()
    planning.plan_now(now=MONDAY, budget_seconds=0)

    first = signed_in.get(reverse(DRAFT)).content.decode()

    assert "the first plan" in first
    assert "Publish all" in first


@pytest.mark.either_database
def test_only_the_office_publishes(client: Client, owner: Any, stranger: Any):
    (moved, _), draft = drafted()
    client.force_login(owner)
    assert client.get(reverse(DRAFT)).status_code == 200
    address = reverse("desk:publish_part", args=[draft.pk])
    assert client.post(address, {"job": moved.pk}).status_code == 403
    client.force_login(stranger)
    assert client.get(reverse(DRAFT)).status_code == 302
    draft.refresh_from_db()
    assert draft.status == Plan.Status.DRAFT


@pytest.mark.either_database
def test_a_part_is_not_published_by_following_a_link(signed_in: Client):
    (moved, _), draft = drafted()

    answer = signed_in.get(reverse("desk:publish_part", args=[draft.pk]), {"job": moved.pk})

    assert answer.status_code == 405


def test_its_queries_do_not_grow_with_the_rows(signed_in: Client):
    def count() -> int:
        with CaptureQueriesContext(connection) as seen:
            signed_in.get(reverse(DRAFT))
        return len(seen)

    drafted(moved=2, jobs=3)
    count()
    few = count()
    for n in range(4):
        make_job(number=f"26-1{n}")
    publish(MONDAY)
    Job.objects.update(earliest_start_on=(MONDAY + timedelta(days=90)).date())
    planning.repair_now(reason="more", now=MONDAY)

    assert count() == few
