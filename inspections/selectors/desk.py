"""
The inspection desk: what to call in before which cut-off, what is booked, what is overdue.

All of it follows from the published plan's bookings of inspections, the authorities' rules and the
visits on record. Who does what it lists when it lists it asks for every visit in time.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

from django.db.models import Prefetch, prefetch_related_objects
from django.utils import timezone

from contractor.trade.phases import INSPECTIONS
from inspections.models import Inspection, InspectionEvent
from inspections.selectors.desk_rows import DeskDays, DeskReader, DeskRow, DeskState
from inspections.selectors.visits import Status
from jobs.models import Booking, Job, Phase, Plan
from jobs.selectors.needs import NEEDED_ROWS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

# How many lines of the record it shows.
RECORD_LINES = 20
OPEN = (Phase.Status.OPEN, Phase.Status.UNDER_WAY)


@dataclass(frozen=True, slots=True)
class RecordLine:
    """An event of the record; `can_undo` where it is its visit's last and not from a file."""

    event: InspectionEvent
    can_undo: bool


@dataclass(frozen=True, slots=True)
class Desk:
    """The desk at one moment, each list in the order in which it is worked."""

    now: datetime
    plan: Plan | None
    to_ask: list[DeskRow]
    overdue: list[DeskRow]
    booked: list[DeskRow]
    coming: list[DeskRow]
    record: list[RecordLine] = field(default_factory=list)

    def rows(self) -> list[DeskRow]:
        """Return every row, what presses most first."""
        return [*self.to_ask, *self.overdue, *self.booked, *self.coming]


def desk(*, now: datetime, jobs: Sequence[Job] | None = None) -> Desk:
    """
    Return the inspection desk at `now`, in a constant number of queries.

    `jobs` are signed jobs that are read already, with their phases in order, `NEEDED_ROWS` and
    their permit.
    """
    plan = Plan.objects.filter(status=Plan.Status.PUBLISHED).first()
    phases = _open_inspections(list(_inspected_jobs()) if jobs is None else jobs)
    booked = _bookings(plan, {phase.job_id for phase in phases})
    visits = _visits(phases)
    days = DeskDays(now)
    rows = [
        row
        for phase in phases
        if (row := DeskReader(phase, booked, visits[phase.pk], days).read()) is not None
    ]
    by_state = {state: [row for row in rows if row.state is state] for state in DeskState}
    return Desk(
        now=now,
        plan=plan,
        to_ask=sorted(by_state[DeskState.TO_ASK], key=_by_ask),
        overdue=sorted(by_state[DeskState.OVERDUE], key=_by_visit),
        booked=sorted(by_state[DeskState.BOOKED], key=_by_visit),
        coming=sorted(by_state[DeskState.COMING], key=_by_ask),
        record=_record(),
    )


def _inspected_jobs() -> Iterable[Job]:
    live = Phase.objects.exclude(status=Phase.Status.DROPPED).order_by("sequence", "id")
    return (
        Job.objects.filter(
            phases__code__in=INSPECTIONS,
            phases__status__in=OPEN,
            status=Job.Status.SIGNED,
            permit__is_exempt=False,
        )
        .distinct()
        .select_related("permit__authority")
        .prefetch_related(Prefetch("phases", live.defer("labor_arithmetic")), *NEEDED_ROWS)
    )


def _open_inspections(jobs: Sequence[Job]) -> list[Phase]:
    """Return the inspections to come of jobs that have a permit, in the order of their rows."""
    permits = [permit for job in jobs if (permit := getattr(job, "permit", None)) is not None]
    prefetch_related_objects(permits, "authority__closures")
    inspected = {permit.job_id for permit in permits if not permit.is_exempt}
    phases = [
        phase
        for job in jobs
        if job.pk in inspected
        for phase in job.phases.all()
        if phase.code in INSPECTIONS and phase.status in OPEN
    ]
    return sorted(phases, key=lambda phase: phase.pk)


def _bookings(plan: Plan | None, jobs: set[int]) -> dict[int, Booking]:
    if plan is None:
        return {}
    rows = Booking.objects.filter(plan=plan, phase__job__in=jobs)
    rows = rows.only("phase", "starts_at", "ends_at")
    return {booking.phase_id: booking for booking in rows}


def _visits(phases: list[Phase]) -> dict[int, list[Inspection]]:
    events = InspectionEvent.objects.order_by("number")
    rows = (
        Inspection.objects.filter(phase__in=phases)
        .exclude(status=Status.TAKEN_BACK)
        .prefetch_related(Prefetch("events", events))
        .order_by("requested_at", "id")
    )
    found: defaultdict[int, list[Inspection]] = defaultdict(list)
    for visit in rows:
        found[visit.phase_id].append(visit)
    return found


def _record() -> list[RecordLine]:
    events = InspectionEvent.objects.select_related(
        "by", "inspection__phase__job", "undoes"
    ).order_by("-at", "-id")[:RECORD_LINES]
    last: dict[int, int] = {}
    for visit_id, number in InspectionEvent.objects.filter(
        inspection__in=[event.inspection_id for event in events]
    ).values_list("inspection_id", "number"):
        last[visit_id] = max(last.get(visit_id, 0), number)
    return [
        RecordLine(event, bool(event.after) and event.number == last[event.inspection_id])
        for event in events
    ]


def _by_ask(row: DeskRow) -> tuple[datetime, int]:
    return row.ask_by or datetime.min.replace(tzinfo=timezone.get_default_timezone()), row.phase.pk


def _by_visit(row: DeskRow) -> tuple[datetime, int]:
    return row.visit_from or datetime.min.replace(
        tzinfo=timezone.get_default_timezone()
    ), row.phase.pk
