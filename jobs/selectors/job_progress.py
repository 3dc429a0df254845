"""How far jobs are: their stage, what is done and left, and their dates in the published plan."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from django.db.models import Exists, Max, Min, OuterRef, Prefetch, QuerySet, Subquery
from django.utils import timezone

from contractor.engine.worktime import SLOT_MINUTES
from contractor.trade.phases import PHASE_TABLE, Performer
from jobs.models import Booking, Job, Phase, PlannedWait
from jobs.selectors.plans import PUBLISHED

CREW_PHASES = tuple(k.code for k in PHASE_TABLE.values() if k.performer is Performer.CREW)
# Of a thousand phases, rows of all columns take most of the time to tell how far jobs are.
_MEASURED = (
    *("job", "crew", "code", "part", "parts", "status", "share_done"),
    *("labor_hours", "office_hours"),
)


def with_plan_dates(jobs: QuerySet[Job], *, now: datetime) -> QuerySet[Job]:
    """
    Return jobs with what the published plan says of them, in a constant number of queries.

    Each has `planned_start_at`, `planned_finish_at` (None when not planned), `waiting_for` (what
    its next phase waits for at `now`, or None) and `has_unplanned` phases; `measured_phases` are
    loaded.
    """
    mine = Booking.objects.filter(PUBLISHED, phase__job=OuterRef("pk")).order_by()
    # A plan's own moment is rounded up to its first quarter hour, and so are waits from it.
    begun = now + timedelta(minutes=SLOT_MINUTES)
    following = Phase.objects.filter(
        job=OuterRef(OuterRef("pk")), status=Phase.Status.OPEN
    ).order_by("sequence", "id")
    waits = PlannedWait.objects.filter(
        PUBLISHED,
        job=OuterRef("pk"),
        before_code=Subquery(following.values("code")[:1]),
        starts_at__lt=begun,
        ends_at__gt=now,
    ).order_by("-ends_at", "id")
    unbooked = Phase.objects.filter(job=OuterRef("pk"), status=Phase.Status.OPEN).exclude(
        Exists(Booking.objects.filter(PUBLISHED, phase=OuterRef("pk")))
    )
    return jobs.annotate(
        planned_start_at=Subquery(_edge(mine, Min("starts_at"))),
        planned_finish_at=Subquery(_edge(mine, Max("ends_at"))),
        waiting_for=Subquery(waits.values("basis")[:1]),
        has_unplanned=Exists(unbooked),
    ).prefetch_related(Prefetch("phases", measured_phases()))


def live_phases() -> QuerySet[Phase]:
    """Return phases in build order, without those the building no longer has."""
    return (
        Phase.objects.exclude(status=Phase.Status.DROPPED)
        .select_related("crew")
        .order_by("sequence", "id")
    )


def measured_phases() -> QuerySet[Phase]:
    """Return phases in build order with what tells how far they are, and nothing else."""
    return live_phases().select_related(None).only(*_MEASURED)


def days_late(job: Job) -> int | None:
    """Return days from promise to planned finish of an annotated job, negative when early."""
    finish = getattr(job, "planned_finish_at", None)
    if finish is None or job.promised_on is None:
        return None
    return (timezone.localtime(finish).date() - job.promised_on).days


def stage_of(job: Job) -> str:
    """Return in words where an annotated job stands: its phase, or what it waits for."""
    if job.status == Job.Status.DONE:
        return f"Done {job.completed_on:%b %-d, %Y}" if job.completed_on else "Done"
    if job.status != Job.Status.SIGNED:
        return job.get_status_display()
    phases = list(job.phases.all())
    under_way = [phase for phase in phases if phase.status == Phase.Status.UNDER_WAY]
    if under_way:
        return ", ".join(
            f"{phase.get_code_display()} {phase.share_done:.0%}" for phase in under_way
        )
    following = next((phase for phase in phases if phase.status == Phase.Status.OPEN), None)
    if following is None:
        return "All phases done"
    waiting = getattr(job, "waiting_for", None)
    if waiting:
        return f"Waits: {waiting}"
    return f"Next: {following.get_code_display()}"


def share_done(job: Job) -> float:
    """Return the share of a job's crew hours that is done, 0 to 1; phases must be loaded."""
    crew_phases = [phase for phase in job.phases.all() if phase.code in CREW_PHASES]
    total = sum(phase.planned_hours for phase in crew_phases)
    done = sum(phase.planned_hours * phase_share_done(phase) for phase in crew_phases)
    return done / total if total else 0.0


def hours_left(job: Job) -> float:
    """Return the labor hours a job still takes; phases must be loaded."""
    return sum(phase_hours_left(phase) for phase in job.phases.all() if phase.code in CREW_PHASES)


def phase_hours_left(phase: Phase) -> float:
    """Return the labor hours a phase still takes."""
    return phase.planned_hours * (1 - phase_share_done(phase))


def open_jobs() -> QuerySet[Job]:
    """Return what measures signed jobs that are not done, with their phases, oldest sale first."""
    return (
        Job.objects.filter(status__in=(Job.Status.SIGNED, Job.Status.ON_HOLD))
        .only("status", "use", "foundation", "drive_minutes", "contract_value_usd")
        .prefetch_related(Prefetch("phases", measured_phases()))
        .order_by("sold_on", "id")
    )


def value_not_earned_usd(job: Job) -> Decimal:
    """Return the contract value less the share done, 0 for a closed job; phases must be loaded."""
    if job.status in (Job.Status.DONE, Job.Status.CANCELLED):
        return Decimal("0.00")
    left = Decimal(1) - Decimal(str(round(share_done(job), 6)))
    return (job.contract_value_usd * left).quantize(Decimal("0.01"))


def phase_share_done(phase: Phase) -> float:
    """Return the share of a phase that is done, 0 to 1."""
    return 1.0 if phase.status == Phase.Status.DONE else phase.share_done


def _edge(mine: QuerySet[Booking], edge: Min | Max) -> QuerySet[Booking, Any]:
    return mine.values("phase__job").annotate(edge=edge).values("edge")
