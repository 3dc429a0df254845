"""How a job stands in time against the first plan that was published with it."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.trade.progress import ScheduleIndex, earned_schedule
from jobs.models import Booking, Phase, Plan

if TYPE_CHECKING:
    from jobs.models import Job


def schedule_index(job: Job, *, now: datetime) -> ScheduleIndex | None:
    """
    Return a job's earned schedule in calendar days; None before its first booked day has begun.

    The plan's value is labor hours, earned evenly from each booking's start to its end. Two
    queries.
    """
    first = (
        Plan.objects.filter(published_at__isnull=False, bookings__phase__job=job)
        .order_by("published_at", "id")
        .first()
    )
    rows = (
        Booking.objects.filter(plan=first, phase__job=job, crew__isnull=False)
        .exclude(phase__status=Phase.Status.DROPPED)
        .select_related("phase")
        .order_by("starts_at", "id")
    )
    booked = [] if first is None else list(rows)
    if not booked:
        return None
    begins = timezone.localdate(booked[0].starts_at)
    ends = max(timezone.localdate(row.ends_at) for row in booked)
    days = (ends - begins).days + 1
    elapsed = (timezone.localdate(now) - begins).days + 1
    if elapsed <= 0:
        return None
    planned = [
        sum(row.phase.planned_hours * _share_by(row, begins + timedelta(days=n)) for row in booked)
        for n in range(1, days + 1)
    ]
    earned = sum(row.phase.planned_hours * row.phase.share_done for row in booked)
    return ScheduleIndex(
        earned_periods=earned_schedule(planned=planned, earned=earned),
        actual_periods=min(elapsed, _days_worked(booked, begins, elapsed)),
        planned_periods=days,
    )


def _share_by(row: Booking, day: date) -> float:
    """Return the share of a booking's time that is over when a day begins."""
    midnight = datetime.combine(day, time(), timezone.get_default_timezone())
    return min(max((midnight - row.starts_at) / (row.ends_at - row.starts_at), 0.0), 1.0)


def _days_worked(booked: list[Booking], begins: date, elapsed: int) -> int:
    """Return the days until the last of the phases was done, or until now while one is open."""
    ends = [row.phase.done_at for row in booked]
    done = [moment for moment in ends if moment is not None]
    if len(done) < len(ends):
        return elapsed
    return max(1, (timezone.localdate(max(done)) - begins).days + 1)
