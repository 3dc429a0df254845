"""Publishing: wholly there or not at all, and never twice."""

import threading
from datetime import datetime, timedelta

import pytest
from django.db import IntegrityError, connection, connections, transaction

from crews.models import FeedEvent
from jobs.models import Booking, Phase, Plan
from jobs.selectors import plans
from jobs.services import pinning, planning, publishing
from tests.processes import PATIENCE_SECONDS
from tests.service.portfolio import MONDAY, make_firm, make_job


def draft() -> Plan:
    return planning.plan_now(now=MONDAY, budget_seconds=0)


@pytest.mark.django_db
def test_publishing_makes_the_draft_the_plan_that_crews_see():
    make_firm()
    make_job()
    plan = draft()

    publishing.publish(plan_id=plan.pk, now=MONDAY)

    assert plans.published_plan() == plan
    assert Booking.objects.filter(plan=plan, is_live=False).count() == 0
    shown = FeedEvent.objects.filter(is_dropped=False)
    booked = {f"phase:{row.phase_id}" for row in Booking.objects.filter(plan=plan)}
    assert {event.source for event in shown} == booked
    assert all(event.crew_id for event in shown)


@pytest.mark.django_db
def test_publishing_the_next_plan_replaces_the_one_before():
    make_firm()
    make_job()
    first = draft()
    publishing.publish(plan_id=first.pk, now=MONDAY)
    second = draft()

    publishing.publish(plan_id=second.pk, now=MONDAY + timedelta(days=1))

    first.refresh_from_db()
    assert first.status == Plan.Status.REPLACED
    assert not Booking.objects.filter(plan=first, is_live=True).exists()


@pytest.mark.django_db
def test_an_unchanged_plan_leaves_every_calendar_as_it_was():
    make_firm()
    make_job()
    publishing.publish(plan_id=draft().pk, now=MONDAY)
    before = list(FeedEvent.objects.order_by("pk").values())

    publishing.publish(plan_id=draft().pk, now=MONDAY + timedelta(minutes=1))

    assert list(FeedEvent.objects.order_by("pk").values()) == before


@pytest.mark.django_db
def test_a_moved_phase_keeps_its_uid_and_raises_its_sequence():
    make_firm(crews=1)
    job = make_job()
    publishing.publish(plan_id=draft().pk, now=MONDAY)
    before = {event.source: event for event in FeedEvent.objects.all()}
    job.earliest_start_on = (MONDAY + timedelta(days=14)).date()
    job.save()

    publishing.publish(plan_id=draft().pk, now=MONDAY)

    for event in FeedEvent.objects.all():
        assert event.uid == before[event.source].uid
        assert event.sequence == before[event.source].sequence + 1
        assert event.starts_at > before[event.source].starts_at


@pytest.mark.django_db
def test_a_replaced_draft_is_refused_with_the_way_out():
    make_firm()
    make_job()
    old = draft()
    draft()

    with pytest.raises(publishing.NotADraft, match="newest draft"):
        publishing.publish(plan_id=old.pk, now=MONDAY)


@pytest.mark.django_db
def test_a_draft_made_before_work_was_finished_is_stale():
    make_firm()
    job = make_job()
    plan = draft()
    Phase.objects.filter(job=job, code="LAYOUT").update(
        status=Phase.Status.DONE, started_at=MONDAY, done_at=MONDAY
    )

    with pytest.raises(publishing.StalePlan, match=f"Layout of job {job.number}"):
        publishing.publish(plan_id=plan.pk, now=MONDAY)

    assert plans.published_plan() is None
    assert not FeedEvent.objects.exists()


def made_at(plan: Plan, moment: datetime) -> None:
    Plan.objects.filter(pk=plan.pk).update(made_at=moment)


@pytest.mark.django_db
def test_a_draft_whose_first_day_is_over_is_stale():
    make_firm()
    job = make_job()
    plan = draft()
    made_at(plan, MONDAY)
    first = plan.bookings.earliest("starts_at")

    with pytest.raises(publishing.StalePlan, match=f"job {job.number} .* that day is over"):
        publishing.publish(plan_id=plan.pk, now=first.starts_at + timedelta(days=1))

    assert plans.published_plan() is None


@pytest.mark.django_db
def test_a_draft_is_published_later_on_its_first_day():
    make_firm()
    make_job()
    plan = draft()
    made_at(plan, MONDAY)
    first = plan.bookings.earliest("starts_at")

    publishing.publish(plan_id=plan.pk, now=first.starts_at + timedelta(hours=3))

    assert plans.published_plan() == plan


@pytest.mark.django_db
def test_a_draft_made_before_a_pin_is_replaced_by_one_that_knows_it():
    make_firm()
    job = make_job()
    plan = draft()
    later = MONDAY.replace(hour=7, minute=30) + timedelta(days=14)
    dig = job.phases.get(code="DIG")
    pinning.pin(phase_id=dig.pk, crew_id=None, starts_at=later, now=MONDAY)

    with pytest.raises(publishing.NotADraft, match="is replaced"):
        publishing.publish(plan_id=plan.pk, now=MONDAY)


@pytest.mark.django_db
def test_a_draft_that_does_not_know_a_pin_is_stale():
    make_firm()
    job = make_job()
    plan = draft()
    later = MONDAY.replace(hour=7, minute=30) + timedelta(days=14)
    job.phases.filter(code="DIG").update(pinned_start_at=later)

    with pytest.raises(publishing.StalePlan, match=f"Dig holes of job {job.number} was pinned"):
        publishing.publish(plan_id=plan.pk, now=MONDAY)


@pytest.mark.django_db
def test_a_draft_that_keeps_its_pin_is_published():
    make_firm()
    job = make_job()
    later = MONDAY.replace(hour=7, minute=30) + timedelta(days=14)
    dig = job.phases.get(code="DIG")
    pinning.pin(phase_id=dig.pk, crew_id=None, starts_at=later, now=MONDAY)
    plan = draft()

    publishing.publish(plan_id=plan.pk, now=MONDAY)

    assert plans.published_plan() == plan


@pytest.mark.django_db
def test_a_plan_that_books_a_crew_twice_is_refused_and_nothing_changes():
    make_firm(crews=1)
    job = make_job()
    plan = draft()
    layout = Booking.objects.get(plan=plan, phase__code="LAYOUT")
    Booking.objects.filter(plan=plan, phase__code="DIG").update(
        starts_at=layout.starts_at, ends_at=layout.ends_at
    )

    with pytest.raises(publishing.CrewDoubleBooked, match=job.number):
        publishing.publish(plan_id=plan.pk, now=MONDAY)

    plan.refresh_from_db()
    assert plan.status == Plan.Status.DRAFT
    assert not Booking.objects.filter(is_live=True).exists()


@pytest.mark.services
@pytest.mark.django_db
def test_postgresql_itself_refuses_a_crew_in_two_places():
    assert connection.vendor == "postgresql"
    make_firm(crews=1)
    make_job()
    plan = draft()
    publishing.publish(plan_id=plan.pk, now=MONDAY)
    layout = Booking.objects.get(plan=plan, phase__code="LAYOUT")

    with pytest.raises(IntegrityError, match="booking_crew_not_twice"), transaction.atomic():
        Booking.objects.filter(plan=plan, phase__code="DIG").update(
            starts_at=layout.starts_at, ends_at=layout.ends_at
        )


@pytest.mark.services
@pytest.mark.django_db(transaction=True)
def test_two_at_once_publish_one_plan_and_the_other_reads_why():
    make_firm()
    make_job()
    plan = draft()
    together = threading.Barrier(4, timeout=PATIENCE_SECONDS)
    outcomes: list[str] = []

    def publish() -> None:
        try:
            together.wait()
            publishing.publish(plan_id=plan.pk, now=MONDAY)
            outcomes.append("published")
        except publishing.PublishRefused as reason:
            outcomes.append(type(reason).__name__)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=publish) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(outcomes) == ["NotADraft", "NotADraft", "NotADraft", "published"]
    assert Plan.objects.filter(status=Plan.Status.PUBLISHED).count() == 1
