"""What plans say: dates per job, promises, comparisons, backlog. Every door reads these."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any, NamedTuple

from django.db.models import Exists, Max, Min, OuterRef, Prefetch, Q, QuerySet, Subquery
from django.utils import timezone

from contractor.engine.compare import Comparison, Row, compare
from contractor.engine.worktime import SLOT_MINUTES
from contractor.trade.phases import PHASE_TABLE, Performer
from jobs.models import Booking, Job, Phase, Plan, PlannedWait
from jobs.models.job import label_of

if TYPE_CHECKING:
    from collections.abc import Iterable

PUBLISHED = Q(plan__status=Plan.Status.PUBLISHED)
CREW_PHASES = tuple(k.code for k in PHASE_TABLE.values() if k.performer is Performer.CREW)


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


class BookingLine(NamedTuple):
    """A booking in a list: a plan has thousands, so they are no rows of a model."""

    pk: int
    job: str
    phase: str
    part: int
    crew: str | None
    starts_at: datetime
    ends_at: datetime
    work_hours: float
    is_pinned: bool
    because: str


_LINE_COLUMNS = (
    "pk",
    "phase__job__number",
    "phase__code",
    "phase__part",
    "crew__name",
    "starts_at",
    "ends_at",
    "work_hours",
    "is_pinned",
    "because",
)


# Of a thousand phases, rows of all columns take most of the time to tell how far jobs are.
_MEASURED = (
    *("job", "crew", "code", "part", "parts", "status", "share_done"),
    *("labor_hours", "office_hours"),
)


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


def booking_lines(plan: Plan) -> QuerySet[Booking, BookingLine]:
    """Return what lists tell of a plan's bookings, in order of time."""
    rows = Booking.objects.filter(plan=plan).order_by("starts_at", "id")
    return rows.values_list(*_LINE_COLUMNS)


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


def bound_words(plan: Plan) -> str:
    """Return in words how much better than a plan one could be, as far as that is proven."""
    if plan.objective.get("optimal"):
        return "proven best"
    bound = plan.objective.get("bound")
    return f"no plan costs less than {bound['total']:,.1f}" if bound else "no bound is known"


# A job's row has sixty columns; a list of waits tells its number alone.
_WAIT_COLUMNS = (
    "plan",
    "kind",
    "after_code",
    "before_code",
    "starts_at",
    "ends_at",
    "basis",
    "job__number",
)


def plan_as_json(plan: Plan) -> dict[str, Any]:
    """Return a plan as the command and the API give it out; times are site-local ISO 8601."""
    return {
        "plan": {
            "id": plan.pk,
            "status": plan.status,
            "as_of": _iso(plan.as_of),
            "made_at": _iso(plan.made_at),
            "source": plan.source,
            "seconds": plan.seconds,
            "objective": {
                name: value
                for name, value in plan.objective.items()
                if name not in ("bound", "optimal", "iterations", "could_begin")
            },
            "could_begin": plan.objective.get("could_begin", []),
            "bound": plan.objective.get("bound"),
            "gap": _gap(plan),
            "optimal": plan.objective.get("optimal", False),
            "iterations": plan.objective.get("iterations", 0),
            "gained": plan.gained,
        },
        "bookings": bookings_as_json(booking_lines(plan)),
        "waits": [
            wait_as_json(wait)
            for wait in plan.waits.select_related("job")
            .only(*_WAIT_COLUMNS)
            .order_by("starts_at", "id")
        ],
        "unplanned": plan.unplanned,
        "promises": [
            {
                "job": row.job.number,
                "promised": row.promised_on.isoformat() if row.promised_on else None,
                "planned": row.planned_finish_on.isoformat() if row.planned_finish_on else None,
                "days_late": row.days_late,
            }
            for row in promises(plan)
        ],
    }


def bookings_as_json(lines: Iterable[BookingLine]) -> list[dict[str, Any]]:
    """Return some of `booking_lines` as plans list them, in one query for all their machines."""
    rows = [BookingLine._make(line) for line in lines]
    machines: dict[int, list[str]] = {}
    used = Booking.equipment.through.objects.filter(booking__in=[row.pk for row in rows])
    for booking, name in used.values_list("booking", "equipment__name"):
        machines.setdefault(booking, []).append(name)
    return [
        {
            "job": row.job,
            "phase": row.phase,
            "part": row.part,
            "crew": row.crew,
            "equipment": sorted(machines.get(row.pk, ())),
            "starts_at": _iso(row.starts_at),
            "ends_at": _iso(row.ends_at),
            "work_hours": row.work_hours,
            "pinned": row.is_pinned,
            "because": row.because,
        }
        for row in rows
    ]


def wait_as_json(wait: PlannedWait) -> dict[str, Any]:
    """Return a wait as plans list it; its job must be loaded."""
    return {
        "job": wait.job.number,
        "kind": wait.kind,
        "after": wait.after_code or None,
        "before": wait.before_code,
        "starts_at": _iso(wait.starts_at),
        "ends_at": _iso(wait.ends_at),
        "basis": wait.basis,
    }


def _gap(plan: Plan) -> float | None:
    """Return the proven gap of the total, 0 to 1, where a bound means something."""
    bound = (plan.objective.get("bound") or {}).get("total")
    total = plan.objective.get("total")
    if bound is None or not total:
        return None
    return round(max(0.0, float((total - bound) / total)), 4)


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
            key=f"{job} {label_of(code, part, parts)}",
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


def _finishes(plan: Plan) -> dict[int, datetime]:
    """Return when each job's last booking ends, for jobs that a plan wholly covers."""
    unplanned = {row["job"] for row in plan.unplanned}
    rows = Booking.objects.filter(plan=plan).exclude(phase__job__number__in=unplanned)
    return dict(rows.values_list("phase__job").annotate(Max("ends_at")))


def _promise(job: Job, finish: datetime) -> Promise:
    finish_on = timezone.localtime(finish).date()
    late = (finish_on - job.promised_on).days if job.promised_on else 0
    return Promise(job, job.promised_on, finish_on, max(0, late))


def _edge(mine: QuerySet[Booking], edge: Min | Max) -> QuerySet[Booking, Any]:
    return mine.values("phase__job").annotate(edge=edge).values("edge")


def phase_share_done(phase: Phase) -> float:
    """Return the share of a phase that is done, 0 to 1."""
    return 1.0 if phase.status == Phase.Status.DONE else phase.share_done


def _iso(instant: datetime) -> str:
    return timezone.localtime(instant).isoformat()
