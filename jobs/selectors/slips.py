"""What has slipped against the published plan: open slips, a job's steps, and knock-on by crew."""

from __future__ import annotations

from typing import TYPE_CHECKING

from contractor.trade.causes import Cause
from jobs.models import Plan, Slip, SlipStep
from jobs.models.job import label_of

if TYPE_CHECKING:
    from django.db.models import QuerySet

    from jobs.models import Job


def slips() -> QuerySet[Slip]:
    """Return all slips with the rows that they name, newest first."""
    return Slip.objects.select_related("job", "phase", "crew", "cause_job", "plan").order_by("-id")


def open_slips() -> QuerySet[Slip]:
    """Return the open slips against the published plan, the longest first."""
    return (
        slips()
        .filter(plan__status=Plan.Status.PUBLISHED, ended_at=None)
        .order_by("-job_quarters", "-phase_quarters", "id")
    )


def steps_of(plan: Plan, job: Job) -> QuerySet[SlipStep]:
    """Return a job's before-and-after pairs under a plan, in the order they were told."""
    return SlipStep.objects.filter(plan=plan, job=job).order_by("compared_at", "number")


def cause_words(slip: Slip) -> str:
    """Return the cause of a slip in words."""
    if slip.cause == Cause.KNOCK_ON and slip.cause_job is not None:
        return f"knock-on of job {slip.cause_job.number}"
    return Cause(slip.cause).label.lower() if slip.cause else "not said yet"


def amount_words(slip: Slip) -> str:
    """Return working days of the job, of the phase, and the float between."""
    words = f"{slip.days:.1f} working days"
    if slip.float_days > 0:
        words += f" ({slip.phase.get_code_display().lower()} {slip.phase_days:.1f}, "
        words += f"float eaten {slip.float_days:.1f})"
    return words


def pushed_words(slip: Slip) -> list[str]:
    """Return in words each booking that a slip moves: what, whose, and by how much."""
    # Slips of before phases could be split do not say which part.
    return [
        f"{label_of(row['code'], row.get('part', 1), row.get('parts', 1))}, "
        f"{row['crew_name'] or 'no crew of ours'}: {row['days']} working days later"
        for row in slip.pushed
    ]


def state_words(slip: Slip, *, on: str) -> str:
    """Return whether a slip is open, and else why not and `on` which day it ended."""
    return "Open" if slip.ended_at is None else f"{slip.get_ended_because_display()}, {on}"


def slip_words(slip: Slip) -> str:
    """Return a slip in a few sentences: what, by how much, why, and what the promise does."""
    days = f"{slip.days:.1f} working days later" if slip.job_quarters > 0 else "not later"
    eaten = f", {slip.float_days:.1f} days of float eaten" if slip.float_days > 0 else ""
    promise = {
        Slip.Promise.BROKEN: " The promise is broken by it.",
        Slip.Promise.KEPT: " The promise is kept.",
        Slip.Promise.LATE_BEFORE: " The promise was broken before.",
    }.get(Slip.Promise(slip.promise), "")
    return (
        f"Job {slip.job.number}: {slip.phase.get_code_display().lower()} ends "
        f"{slip.phase_days:.1f} working days later, the job {days}{eaten}. "
        f"{slip.what}. Cause: {cause_words(slip)}.{promise}"
    )
