"""Publish a draft: bookings, baseline and crews' calendars in one step, or nothing at all."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from django.db import IntegrityError, transaction
from django.db.models import F, Q
from django.utils import timezone

from crews.services import FeedChange, replace_feed_events
from jobs.models import Booking, Job, Phase, Plan, ReplanProposal
from jobs.selectors.booked import with_rows
from jobs.services import notices, slips
from jobs.services.changes import record_published
from jobs.services.feed_entries import feed_entries
from jobs.services.feed_names import keep_names

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from django.contrib.auth.models import User


class PublishRefused(Exception):  # noqa: N818 - an answer with its reason
    """A plan that may not be published; the text says why and what to do."""


class NotADraft(PublishRefused):
    """Only a draft that nothing has replaced can be published."""


class StalePlan(PublishRefused):
    """What the draft was made from has changed since."""


class CrewDoubleBooked(PublishRefused):
    """The plan would put a crew in two places."""


@dataclass(frozen=True, slots=True)
class Published:
    """The plan that is now in force, and what changed in the crews' calendars."""

    plan: Plan
    feed: FeedChange


def publish(*, plan_id: int, now: datetime, by: User | None = None) -> Published:
    """
    Return the plan after making it the one that crews see.

    Raises
    ------
    PublishRefused
        NotADraft, StalePlan or CrewDoubleBooked; nothing has changed then.
    """
    try:
        with transaction.atomic():
            return _publish(plan_id=plan_id, now=now, by=by)
    except IntegrityError as error:
        if "booking_crew_not_twice" in str(error):
            raise CrewDoubleBooked(
                f"Plan {plan_id} books a crew twice at one time. Ask for a new plan."
            ) from error
        if "plan_one_published" in str(error):
            raise StalePlan(
                f"Another plan was published while plan {plan_id} was. Ask for a new plan."
            ) from error
        raise


def _publish(*, plan_id: int, now: datetime, by: User | None) -> Published:
    # All plans that publishing reads or writes are locked in one order: two at once queue up.
    plans = {
        plan.pk: plan
        for plan in Plan.objects.select_for_update()
        .filter(Q(pk=plan_id) | Q(status=Plan.Status.PUBLISHED))
        .order_by("pk")
    }
    if plan_id not in plans:
        raise NotADraft(f"There is no plan {plan_id}. Look at the list of plans.")
    plan = plans[plan_id]
    before = next((p for p in plans.values() if p.status == Plan.Status.PUBLISHED), None)
    _refuse_unless_fresh(plan, before, now)
    if before:
        Booking.objects.filter(plan=before).update(is_live=False)
        before.status = Plan.Status.REPLACED
        before.save(update_fields=["status"])
    rows = _rows_in_turn(plan)
    _refuse_double_booking(rows)
    Booking.objects.filter(plan=plan).update(is_live=True)
    plan.status = Plan.Status.PUBLISHED
    plan.published_at = now
    plan.published_by = by
    plan.save(update_fields=["status", "published_at", "published_by"])
    record_published(before=before, bookings=rows, now=now, by=by)
    feed = replace_feed_events(entries=feed_entries(rows, now), now=now)
    if before:
        slips.end_replanned(before=before, now=now)
    slips.know_the_plan(plan=plan, now=now)
    _settle_proposals(plan, by=by, now=now)
    notices.tell_of_plan(plan=plan, before=before, now=now)
    return Published(plan=plan, feed=feed)


@transaction.atomic
def refresh_feeds(*, now: datetime) -> FeedChange:
    """Bring calendars in step with the published plan, and with all that was told since."""
    keep_names(now=now)
    # Publishing locks the plan too: no calendar is written from a plan that is being replaced.
    plan = Plan.objects.select_for_update().filter(status=Plan.Status.PUBLISHED).first()
    if plan is None:
        return FeedChange()
    rows = _rows_in_turn(plan)
    return replace_feed_events(entries=feed_entries(rows, now), now=now)


def _settle_proposals(plan: Plan, *, by: User | None, now: datetime) -> None:
    """Decide the open proposal: accepted if its draft is the plan now, overtaken if not."""
    waiting = ReplanProposal.objects.filter(state=ReplanProposal.State.OPEN)
    waiting.filter(plan=plan).update(
        state=ReplanProposal.State.ACCEPTED, decided_at=now, decided_by=by
    )
    waiting.update(state=ReplanProposal.State.OVERTAKEN, decided_at=now, decided_by=by)


def _rows_in_turn(plan: Plan) -> list[Booking]:
    rows = Booking.objects.filter(plan=plan).prefetch_related("equipment")
    return with_rows(rows.order_by("crew_id", "starts_at", "id"))


def _refuse_unless_fresh(plan: Plan, before: Plan | None, now: datetime) -> None:
    if plan.status != Plan.Status.DRAFT:
        raise NotADraft(
            f"Plan {plan.pk} is {plan.get_status_display().lower()}, not a draft. "
            "Look at the newest draft, or ask for a new plan."
        )
    if before and before.published_at and before.published_at > plan.made_at:
        raise StalePlan(
            f"Plan {before.pk} was published after plan {plan.pk} was made. Ask for a new plan."
        )
    moved_on = (
        Booking.objects.filter(plan=plan)
        .exclude(
            phase__status__in=(Phase.Status.OPEN, Phase.Status.UNDER_WAY),
            phase__job__status=Job.Status.SIGNED,
        )
        .select_related("phase__job")
        .order_by("starts_at", "id")
        .first()
    )
    if moved_on:
        raise StalePlan(
            f"{moved_on.phase.get_code_display()} of job {moved_on.phase.job.number} is no longer "
            f"open since plan {plan.pk} was made. Ask for a new plan."
        )
    _refuse_missed_starts(plan, now)
    _refuse_missed_pins(plan)


def _refuse_missed_starts(plan: Plan, now: datetime) -> None:
    """
    Refuse a draft that tells crews to begin on a day that is over.

    Its own clock counts: the moment it plans from, and what has passed since it was made.
    """
    clock = plan.as_of + max(now - plan.made_at, timedelta(0))
    today = timezone.localtime(clock).replace(hour=0, minute=0, second=0, microsecond=0)
    missed = (
        Booking.objects.filter(plan=plan, starts_at__lt=today, phase__status=Phase.Status.OPEN)
        .select_related("phase__job")
        .order_by("starts_at", "id")
        .first()
    )
    if missed:
        raise StalePlan(
            f"Plan {plan.pk} begins {missed.phase.get_code_display().lower()} of job "
            f"{missed.phase.job.number} on {timezone.localtime(missed.starts_at):%b %-d}, "
            "and that day is over. Ask for a new plan."
        )


def _refuse_missed_pins(plan: Plan) -> None:
    """Refuse a draft that misses more pins than it did when it was made."""
    kept = Q(starts_at=F("phase__pinned_start_at")) & (
        Q(phase__pinned_crew=None) | Q(crew=F("phase__pinned_crew"))
    )
    missed = list(
        Booking.objects.filter(plan=plan, phase__status=Phase.Status.OPEN)
        .exclude(phase__pinned_start_at=None)
        .exclude(kept)
        .select_related("phase__job")
        .order_by("starts_at", "id")
    )
    if len(missed) > plan.objective.get("broken_pins", 0):
        phase = missed[0].phase
        raise StalePlan(
            f"{phase.get_code_display()} of job {phase.job.number} was pinned since plan "
            f"{plan.pk} was made. Ask for a new plan."
        )


def _refuse_double_booking(rows: Iterable[Booking]) -> None:
    """
    Refuse overlapping bookings of one crew, told by name.

    PostgreSQL also holds this by an exclusion constraint; SQLite has none, and there the write
    transaction in which this runs lets nobody in between.
    """
    last: Booking | None = None
    for row in rows:
        if row.crew_id is None:
            continue
        if last and last.crew_id == row.crew_id and row.starts_at < last.ends_at:
            raise CrewDoubleBooked(
                f"{row.crew} would be on job {last.phase.job.number} and on job "
                f"{row.phase.job.number} at {timezone.localtime(row.starts_at):%b %-d, %H:%M}. "
                "Ask for a new plan."
            )
        last = row
