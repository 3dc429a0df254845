"""Slips and their steps as rows: new ones, those that grew, and causes named later."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from django.db.models import prefetch_related_objects

from contractor.trade.causes import Cause
from jobs.models import FieldReport, Slip, SlipStep
from jobs.services.slip_events import Told

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from jobs.models import Job, Plan
    from jobs.services.slip_events import Event
    from jobs.services.slip_measure import Stretch


_ROWS = ("job", "phase", "crew", "cause_job")


@dataclass(slots=True)
class Push:
    """What one event did to one job, before anything is stored."""

    event: Event
    number: int
    job: Job
    cause: Cause | None
    cause_job_id: int | None
    ends_before: datetime
    ends_after: datetime
    quarters: int
    phase: Stretch | None
    phase_quarters: int
    is_slip: bool
    promise: str
    day_quarters: int
    pushed: list[dict[str, Any]] = field(default_factory=list)


def store(plan: Plan, pushes: Sequence[Push], now: datetime) -> tuple[list[Slip], list[Slip]]:
    """Write slips and their steps; return the new ones and those that grew."""
    new: list[Slip] = []
    grown: list[Slip] = []
    slips = {
        (slip.job_id, slip.event): slip
        for slip in Slip.objects.select_for_update().filter(plan=plan).order_by("pk")
    }
    steps: list[SlipStep] = []
    numbers: dict[int, int] = defaultdict(int)
    for push in pushes:
        key = (push.job.pk, push.event.key)
        slip = slips.get(key)
        if slip is not None:
            _grow(slip, push)
            grown.append(slip)
        elif push.is_slip:
            slip = slips[key] = _new_slip(plan, push, now)
            new.append(slip)
        if push.quarters:
            numbers[push.job.pk] += 1
            steps.append(_step(plan, push, slip, numbers[push.job.pk], now))
    Slip.objects.bulk_create(new)
    prefetch_related_objects(new, *_ROWS)
    for slip in {id(slip): slip for slip in grown if slip not in new}.values():
        slip.save()
    for step in steps:
        step.slip = step.slip  # its number is known by now
    SlipStep.objects.bulk_create(steps)
    return new, grown


def _new_slip(plan: Plan, push: Push, now: datetime) -> Slip:
    first = push.pushed[0]
    slip = Slip(
        job_id=push.job.pk,
        plan=plan,
        event=push.event.key,
        what=push.event.what,
        cause=push.cause or "",
        cause_job_id=push.cause_job_id,
        phase_id=first["phase"],
        crew_id=first["crew"],
        happened_at=push.event.happened_at,
        found_at=now,
        phase_quarters=push.phase_quarters,
        job_quarters=push.quarters,
        day_quarters=push.day_quarters,
        promise=push.promise,
        pushed=push.pushed,
    )
    # Its rows were read just now: asking for each again would cost a query a column.
    slip.clean_fields(exclude=["pushed", *_ROWS, "plan"])
    return slip


def _grow(slip: Slip, push: Push) -> None:
    slip.phase_quarters = max(0, slip.phase_quarters + push.phase_quarters)
    slip.job_quarters += push.quarters
    slip.pushed = push.pushed or slip.pushed
    if push.promise == Slip.Promise.BROKEN:
        slip.promise = push.promise
    if push.quarters > 0 or push.phase_quarters > 0:
        slip.ended_at, slip.ended_because = None, ""


def _step(plan: Plan, push: Push, slip: Slip | None, number: int, now: datetime) -> SlipStep:
    return SlipStep(
        plan=plan,
        job_id=push.job.pk,
        slip=slip,
        event=push.event.key,
        what=push.event.what,
        cause=push.cause or "",
        happened_at=push.event.happened_at,
        compared_at=now,
        number=number,
        ends_before=push.ends_before,
        ends_after=push.ends_after,
        quarters=push.quarters,
    )


def name_causes(plan: Plan, told: Mapping[int, Told]) -> None:
    """Give open slips that nobody had explained the cause that a report has named since."""
    for phase, said in told.items():
        if said.cause:
            Slip.objects.filter(
                plan=plan, ended_at=None, cause="", event__startswith=f"passing:{phase}:"
            ).update(cause=said.cause)


def told_since(*, since: datetime) -> dict[int, Told]:
    """Return what was reported since, by phase: the last report, and the last cause named."""
    found: dict[int, Told] = {}
    rows = FieldReport.objects.filter(received_at__gt=since).select_related("phase__job")
    for row in rows.order_by("made_at", "id"):
        before = found.get(row.phase_id)
        cause = row.stopped_by or (before.cause if before else "")
        words = f"{row.phase.get_code_display()} of {row.phase.job.number}: "
        found[row.phase_id] = Told(str(row.pk), row.made_at, cause, words + _said(row, cause))
    return found


def _said(row: FieldReport, cause: str) -> str:
    """Return what a report says in few words, with the last cause that was named by then."""
    kind = row.get_kind_display().lower()
    because = f" by {Cause(cause).label.lower()}" if cause else ""
    stopped = row.kind == FieldReport.Kind.STOPPED
    return f"{kind}{because}" if stopped or not cause else f"{kind}, was stopped{because}"
