"""Callbacks and punch lists: what is open, and until when a job is under warranty."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db.models import F

from contractor.trade.warranty import workmanship_ends_on
from jobs.models import Callback, Job

if TYPE_CHECKING:
    from datetime import date

    from django.db.models import QuerySet


def warranty_of(job: Job) -> date | None:
    """Return the last day of a job's workmanship warranty; None before completion."""
    if job.status != Job.Status.DONE or job.completed_on is None:
        return None
    return workmanship_ends_on(job.completed_on)


def job_callbacks(job: Job) -> QuerySet[Callback]:
    """Return a job's callbacks, open ones first, by the day promised."""
    return all_callbacks().filter(job=job)


def all_callbacks() -> QuerySet[Callback]:
    """Return callbacks of all jobs, open ones first, by the day promised."""
    rows = Callback.objects.select_related("round__crew", "job")
    return rows.order_by(F("done_on").asc(nulls_first=True), "promised_on", "id")
