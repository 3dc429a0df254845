"""What a draft changes against the published plan, job by job."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.db.models import Max, Min
from django.utils import timezone

from jobs.models import Booking, Job, Phase, Plan
from jobs.selectors import plans

if TYPE_CHECKING:
    from datetime import date

    from contractor.engine.compare import Comparison


@dataclass(frozen=True, slots=True)
class Days:
    """A job's first and last day in a plan, as far as it is still to do."""

    first_on: date
    last_on: date


@dataclass(frozen=True, slots=True)
class JobChange:
    """
    A job for which a draft changes something: how many bookings, and its days before and after.

    `was` is None for a job that is new to people, `becomes` for one that goes.
    """

    job: Job
    moved: int
    added: int
    removed: int
    was: Days | None
    becomes: Days | None
    promised_on: date | None

    @property
    def finish_days(self) -> int | None:
        """Return calendar days by which it ends later, negative when sooner."""
        if self.was is None or self.becomes is None:
            return None
        return (self.becomes.last_on - self.was.last_on).days

    @property
    def is_late(self) -> bool:
        """Return whether the draft ends it after its promise."""
        return (
            self.becomes is not None
            and self.promised_on is not None
            and self.becomes.last_on > self.promised_on
        )

    @property
    def was_late(self) -> bool:
        """Return whether it was published to end after its promise."""
        return (
            self.was is not None
            and self.promised_on is not None
            and self.was.last_on > self.promised_on
        )


def job_changes(*, draft: Plan, comparison: Comparison, published: Plan | None) -> list[JobChange]:
    """Return the jobs that a draft changes, by number; in a constant number of queries."""
    moved = Counter(row.job for row in comparison.moved)
    added = Counter(row.job for row in comparison.added)
    removed = Counter(row.job for row in comparison.removed)
    jobs = Job.objects.filter(number__in={*moved, *added, *removed}).order_by("number")
    was, becomes = _days(published) if published else {}, _days(draft)
    return [
        JobChange(
            job=job,
            moved=moved[job.number],
            added=added[job.number],
            removed=removed[job.number],
            was=was.get(job.pk),
            becomes=becomes.get(job.pk),
            promised_on=job.promised_on,
        )
        for job in jobs
    ]


def latest_comparison() -> tuple[Plan | None, Plan | None, Comparison | None]:
    """
    Return the newest draft, the published plan, and what differs; None where one is missing.

    Work that was done since is no change: a draft has no booking of it, and nobody need know.
    """
    draft, published = plans.latest_draft(), plans.published_plan()
    if draft is None:
        return None, published, None
    found = plans.comparison(draft, published)
    return draft, published, plans.without_done(found, published) if published else found


def _days(plan: Plan) -> dict[int, Days]:
    rows = (
        Booking.objects.filter(plan=plan)
        .exclude(phase__status=Phase.Status.DONE)
        .values_list("phase__job")
        .annotate(first=Min("starts_at"), last=Max("ends_at"))
        .order_by()
    )
    return {
        job: Days(timezone.localdate(first), timezone.localdate(last)) for job, first, last in rows
    }
