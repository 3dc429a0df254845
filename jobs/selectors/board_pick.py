"""What is known of one booking of the board: why it is where it is, and what it waits for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.db.models import Q
from django.utils import timezone

from contractor.trade.phases import PHASE_TABLE
from jobs.models import Booking, Phase, Plan, PlannedWait
from jobs.selectors import board_version, holds, plans
from jobs.selectors.stored_plan import ReasonStep, reached_from, reasons, stored_plan

if TYPE_CHECKING:
    from datetime import date, datetime

    from jobs.selectors.holds import ShownHold


@dataclass(frozen=True, slots=True)
class Picked:
    """
    A phase as the plan at hand has it; `booking` is None where it has no dates there.

    `told` is its published booking where that is another. `steps` lead back to today or a date
    from outside. `stay` are the bookings of its job, in order of time.
    """

    phase: Phase
    plan: Plan | None
    booking: Booking | None
    told: Booking | None
    steps: tuple[ReasonStep, ...]
    waits: tuple[PlannedWait, ...]
    holds: tuple[ShownHold, ...]
    stay: tuple[Booking, ...]
    promised_on: date | None
    finish_at: datetime | None

    @property
    def is_late(self) -> bool:
        """Return whether the plan ends the job after the day it is promised for."""
        if self.promised_on is None or self.finish_at is None:
            return False
        return timezone.localdate(self.finish_at) > self.promised_on

    @property
    def caution(self) -> str:
        """Return what may hurt someone in this phase."""
        return PHASE_TABLE[self.phase.code].caution


def picked(*, phase_id: int, now: datetime) -> Picked | None:
    """Return what is known of a phase's booking; None for a phase that does not exist."""
    phase = Phase.objects.select_related("job", "crew").filter(pk=phase_id).first()
    if phase is None:
        return None
    plan = board_version.plan_at_hand()
    stay = list(plans.job_bookings(plan, phase.job)) if plan else []
    booking = next((row for row in stay if row.phase_id == phase.pk), None)
    told = None
    if plan is not None and plan.status == Plan.Status.DRAFT:
        told = Booking.objects.filter(is_live=True, phase=phase).select_related("crew").first()
    waits = PlannedWait.objects.filter(plan=plan, job=phase.job, before_code=phase.code)
    held = holds.holds(now=now, job=phase.job)
    return Picked(
        phase=phase,
        plan=plan,
        booking=booking,
        told=told if told and booking and _differs(told, booking) else None,
        steps=_steps(plan, booking) if plan and booking else (),
        waits=tuple(waits.select_related("job").order_by("starts_at", "id")) if plan else (),
        holds=tuple(row for row in held if row.fact.phase_code == phase.code),
        stay=tuple(stay),
        promised_on=phase.job.promised_on,
        finish_at=max((row.ends_at for row in stay), default=None),
    )


def next_work_of(words: str, *, now: datetime) -> Booking | None:
    """
    Return the first booking that is not over of the job with a number or buyer, else its last.

    The number may be given by its end, as people say it: 47 for 26-047.
    """
    mine = Booking.objects.filter(plan=board_version.plan_at_hand())
    for named in (
        Q(phase__job__number__iexact=words),
        Q(phase__job__number__iendswith=words),
        Q(phase__job__buyer_name__icontains=words),
    ):
        rows = mine.filter(named).order_by("starts_at", "id")
        found = rows.filter(ends_at__gt=now).first() or rows.last()
        if found is not None:
            return found
    return None


def _steps(plan: Plan, booking: Booking) -> tuple[ReasonStep, ...]:
    return reasons(stored_plan(plan, only=reached_from(plan, booking)), booking)


def _differs(told: Booking, booking: Booking) -> bool:
    return (told.crew_id, told.starts_at) != (booking.crew_id, booking.starts_at)
