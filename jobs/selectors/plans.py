"""What plans say: their bookings and waits, promises kept, and who moves from one to another."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import TYPE_CHECKING

from django.db.models import Max, Q, QuerySet
from django.utils import timezone

from contractor.engine.compare import Comparison, Row, compare
from jobs.models import Booking, Job, Phase, Plan, PlannedWait
from jobs.models.job import label_of

if TYPE_CHECKING:
    pass

PUBLISHED = Q(plan__status=Plan.Status.PUBLISHED)


@dataclass(frozen=True, slots=True)
class PromiseChange:
    """A promise that one plan keeps and the other does not."""

    job: Job
    promised_on: date
    old_finish_on: date
    new_finish_on: date
    is_kept: bool


@dataclass(frozen=True, slots=True)
class Promise:
    """What a buyer was told against what a plan says; `days_late` is 0 when kept."""

    job: Job
    promised_on: date | None
    planned_finish_on: date | None
    days_late: int


def published_plan() -> Plan | None:
    """Return the plan that crews and owner see."""
    return Plan.objects.filter(status=Plan.Status.PUBLISHED).first()


def latest_draft() -> Plan | None:
    """Return the draft that waits to be looked at."""
    return Plan.objects.filter(status=Plan.Status.DRAFT).order_by("-id").first()


def bookings(plan: Plan) -> QuerySet[Booking]:
    """Return a plan's bookings in order of time, with all that people are shown of them."""
    return (
        Booking.objects.filter(plan=plan)
        .select_related("phase__job", "crew")
        .prefetch_related("equipment")
        .order_by("starts_at", "id")
    )


def job_bookings(plan: Plan, job: Job) -> QuerySet[Booking]:
    """Return one job's bookings in a plan."""
    return bookings(plan).filter(phase__job=job)


def job_waits(plan: Plan, job: Job) -> QuerySet[PlannedWait]:
    """Return one job's waits in a plan."""
    return (
        PlannedWait.objects.filter(plan=plan, job=job)
        .select_related("job")
        .order_by("starts_at", "id")
    )


def comparison(plan: Plan, against: Plan | None) -> Comparison:
    """Return who moves when `plan` replaces `against`; everything is added to nothing."""
    return compare(_rows(against) if against else (), _rows(plan))


def without_done(found: Comparison, against: Plan) -> Comparison:
    """Return a comparison in which work that was done since `against` is not told as removed."""
    rows = Booking.objects.filter(plan=against, phase__status=Phase.Status.DONE)
    columns = ("phase__job__number", "phase__code", "phase__part", "phase__parts")
    done = {_key(*row) for row in rows.values_list(*columns)}
    return replace(found, removed=tuple(row for row in found.removed if row.key not in done))


# What is told of a job beside its promise: its number, and its buyer where people read it.
_PROMISE_COLUMNS = ("number", "buyer_name", "promised_on", "promise_weight")


def promises(plan: Plan) -> list[Promise]:
    """Return every planned job's promise against its planned finish, most late first."""
    ends = _finishes(plan)
    jobs = Job.objects.filter(pk__in=ends).only(*_PROMISE_COLUMNS).order_by("number")
    rows = [_promise(job, ends[job.pk]) for job in jobs]
    return sorted(rows, key=lambda row: (-row.days_late, row.promised_on or date.max))


def promise_changes(plan: Plan, against: Plan | None) -> list[PromiseChange]:
    """Return the promises that change sides when `plan` replaces `against`, by job number."""
    before = {row.job.pk: row for row in promises(against)} if against else {}
    changes = []
    for row in promises(plan):
        old = before.get(row.job.pk)
        if old is None or (row.days_late > 0) == (old.days_late > 0):
            continue
        if row.promised_on and old.planned_finish_on and row.planned_finish_on:
            finishes = (old.planned_finish_on, row.planned_finish_on)
            changes.append(
                PromiseChange(row.job, row.promised_on, *finishes, is_kept=row.days_late == 0)
            )
    return sorted(changes, key=lambda change: change.job.number)


def bound_words(plan: Plan) -> str:
    """Return in words how much better than a plan one could be, as far as that is proven."""
    if plan.objective.get("optimal"):
        return "proven best"
    bound = plan.objective.get("bound")
    return f"no plan costs less than {bound['total']:,.1f}" if bound else "no bound is known"


def _rows(plan: Plan) -> list[Row]:
    columns = (
        "phase__job__number",
        "phase__code",
        "phase__part",
        "phase__parts",
        "crew__name",
        "phase__started_at",
        "starts_at",
        "ends_at",
    )
    return [
        Row(
            key=_key(job, code, part, parts),
            job=job,
            crew=crew or "",
            # The day it began, so that work under way does not move.
            start=timezone.localtime(min(starts_at, began or starts_at)),
            finish=timezone.localtime(ends_at),
        )
        for job, code, part, parts, crew, began, starts_at, ends_at in Booking.objects.filter(
            plan=plan
        ).values_list(*columns)
    ]


def _key(job: str, code: str, part: int, parts: int) -> str:
    return f"{job} {label_of(code, part, parts)}"


def _finishes(plan: Plan) -> dict[int, datetime]:
    """Return when each job's last booking ends, for jobs that a plan wholly covers."""
    unplanned = {row["job"] for row in plan.unplanned}
    rows = Booking.objects.filter(plan=plan).exclude(phase__job__number__in=unplanned)
    return dict(rows.values_list("phase__job").annotate(Max("ends_at")))


def _promise(job: Job, finish: datetime) -> Promise:
    finish_on = timezone.localtime(finish).date()
    late = (finish_on - job.promised_on).days if job.promised_on else 0
    return Promise(job, job.promised_on, finish_on, max(0, late))
