"""The call-ahead list: which deliveries to confirm or order this week, late ones first."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from django.db.models import Q
from django.utils import timezone

from contractor.trade.labeled import Labeled
from contractor.trade.lead_times import RESERVE_DAYS, needed_by_date
from jobs.models import Booking, Delivery, DeliveryReport, Job, Phase, Plan
from jobs.selectors import plans
from jobs.selectors.deliveries import due_on, lead_time_of, lead_times
from jobs.selectors.needs import NEEDED_ROWS, built

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from datetime import datetime

    from contractor.trade.building import Building
    from contractor.trade.lead_times import LeadTime

WEEK = timedelta(days=7)


class Standing(Labeled):
    """How a delivery stands to the day it is needed by, the worst first."""

    OVERDUE = "OVERDUE"
    LATE = "LATE"
    TIGHT = "TIGHT"
    IN_TIME = "IN_TIME"
    NOT_PLANNED = "NOT_PLANNED"

    @property
    def label(self) -> str:
        """Return the standing in words."""
        return "Within the reserve" if self is Standing.TIGHT else super().label


@dataclass(frozen=True, slots=True, kw_only=True)
class CallAheadLine:
    """
    A delivery to call about.

    `needed_by` is the day before the phase it holds is first booked, None where that has no
    dates; `order_by` is that day less the reserve and the lead time. `due_on` is the promised day,
    else what the lead time gives. `days_late` counts from `needed_by`, negative when early.
    `report` is what was told last, for undoing.
    """

    delivery: Delivery
    phase_code: str
    due_on: date
    why: str
    lead_days: int
    needed_by: date | None
    order_by: date | None
    standing: Standing
    report: DeliveryReport | None = None

    @property
    def days_late(self) -> int | None:
        """Return calendar days from needed to due, None where nothing is planned."""
        return None if self.needed_by is None else (self.due_on - self.needed_by).days

    @property
    def is_to_order(self) -> bool:
        """Return whether nobody has ordered it yet."""
        row = self.delivery
        return row.ordered_on is None and row.promised_on is None and row.arrived_on is None


@dataclass(frozen=True, slots=True)
class CallAhead:
    """The list of a week: what to confirm and what to order; `plan` gave the days needed."""

    plan: Plan | None
    to_confirm: tuple[CallAheadLine, ...]
    to_order: tuple[CallAheadLine, ...]


def call_ahead(
    *, now: datetime, every: bool = False, jobs: Iterable[Job] | None = None
) -> CallAhead:
    """
    Return the deliveries to call about in the coming seven days, late ones first.

    To confirm: what is due or needed within the week, overdue, or later than needed. To order:
    what must be ordered within the week. With `every`, all that is awaited. `jobs` are signed jobs
    that are read already, with their deliveries, phases and `NEEDED_ROWS`. The number of queries
    does not grow with the rows.
    """
    plan = plans.published_plan() or plans.latest_draft()
    rows, today = lead_times(), timezone.localdate(now)
    starts = _first_bookings(plan)
    reports = _last_reports()
    lines = []
    for job in _waiting_jobs() if jobs is None else jobs:
        for line in _lines(job, rows, starts, reports, today):
            if every or _is_of_week(line, today):
                lines.append(line)
    lines.sort(key=lambda line: _rank(line, today))
    return CallAhead(
        plan=plan,
        to_confirm=tuple(line for line in lines if not line.is_to_order),
        to_order=tuple(line for line in lines if line.is_to_order),
    )


def reports_of(delivery: Delivery) -> list[DeliveryReport]:
    """Return what was told of a delivery, newest first, what was undone too."""
    rows = DeliveryReport.objects.filter(job=delivery.job_id, item=delivery.item)
    return list(rows.order_by("-told_at", "-id"))


def _waiting_jobs() -> Iterable[Job]:
    return (
        Job.objects.filter(
            Q(deliveries__arrived_on=None) | ~Q(deliveries__shortage=""),
            status=Job.Status.SIGNED,
            deliveries__isnull=False,
        )
        .distinct()
        .select_related("permit__authority")
        .prefetch_related("phases", *NEEDED_ROWS, "deliveries")
        .order_by("number")
    )


def _first_bookings(plan: Plan | None) -> dict[int, datetime]:
    """Return the moment at which each phase of a plan begins."""
    if plan is None:
        return {}
    return dict(Booking.objects.filter(plan=plan).values_list("phase", "starts_at"))


def _last_reports() -> dict[tuple[int, str], DeliveryReport]:
    rows = DeliveryReport.objects.filter(undone_at=None, job__status=Job.Status.SIGNED)
    return {(row.job_id, row.item): row for row in rows.order_by("told_at", "id")}


def _lines(
    job: Job,
    rows: tuple[LeadTime, ...],
    starts: Mapping[int, datetime],
    reports: Mapping[tuple[int, str], DeliveryReport],
    today: date,
) -> Iterator[CallAheadLine]:
    """Yield a line for each delivery that an open phase of a job waits for."""
    awaited = [delivery for delivery in job.deliveries.all() if not delivery.is_complete]
    found = built(job) if awaited else None
    if found is None:
        return
    building, network = found
    held = dict(network.deliveries)
    # Of a phase in parts the first that is left needs its material.
    in_turn = sorted(job.phases.all(), key=lambda phase: -phase.part)
    phases = {p.code: p for p in in_turn if p.status == Phase.Status.OPEN}
    for delivery in awaited:
        phase = phases.get(held.get(delivery.item, ""))
        if phase is not None:
            report = reports.get((job.pk, delivery.item))
            yield _line(delivery, phase, building, rows, starts.get(phase.pk), report, today)


def _line(
    delivery: Delivery,
    phase: Phase,
    building: Building,
    rows: tuple[LeadTime, ...],
    begins: datetime | None,
    report: DeliveryReport | None,
    today: date,
) -> CallAheadLine:
    due, why = due_on(delivery, building, rows, today)
    lead_days = lead_time_of(delivery, building, rows).days
    needed_by = needed_by_date(timezone.localdate(begins)) if begins else None
    return CallAheadLine(
        delivery=delivery,
        phase_code=phase.code,
        due_on=due,
        why=why,
        lead_days=lead_days,
        needed_by=needed_by,
        order_by=needed_by and needed_by - timedelta(days=RESERVE_DAYS + lead_days),
        standing=standing_of(due, needed_by, today),
        report=report,
    )


def standing_of(due: date, needed_by: date | None, today: date) -> Standing:
    """Return how a delivery that is due on a day stands to the day it is needed by."""
    if due < today:
        return Standing.OVERDUE
    if needed_by is None:
        return Standing.NOT_PLANNED
    if due > needed_by:
        return Standing.LATE
    within_reserve = due > needed_by - timedelta(days=RESERVE_DAYS)
    return Standing.TIGHT if within_reserve else Standing.IN_TIME


def _is_of_week(line: CallAheadLine, today: date) -> bool:
    soon = today + WEEK
    if line.is_to_order:
        return line.order_by is not None and line.order_by <= soon
    if line.standing in (Standing.OVERDUE, Standing.LATE):
        return True
    return line.due_on <= soon or (line.needed_by is not None and line.needed_by <= soon)


def _rank(line: CallAheadLine, today: date) -> tuple[int, int, date, str, str]:
    """Return the place in the list: the worst standing, then the most late, then the soonest."""
    order = list(Standing)
    late = max(0, line.days_late or 0)
    soonest = (line.order_by or line.due_on) if line.is_to_order else line.due_on
    row = line.delivery
    return (order.index(line.standing), -late, soonest, row.job.number, row.item)
