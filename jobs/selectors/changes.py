"""Who changed what, read for the job page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from jobs.models import Change

if TYPE_CHECKING:
    from django.db.models import QuerySet

    from jobs.models import Job

LATEST = 50


def job_changes(job: Job) -> QuerySet[Change]:
    """Return the latest changes of a job and what belongs to it, newest first."""
    return Change.objects.filter(job=job).order_by("-at", "-id")[:LATEST]
