"""What finished work, visits and deliveries were like: what forecasts learn from."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.engine.learning import Beliefs, Finished, learn
from inspections.models import Inspection
from inspections.selectors import visits as visit_states
from jobs.models import Delivery, DeliveryReport, Phase

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date, datetime

    from django.db.models import QuerySet

# Before an authority has made visits: of twenty, two fail and one does not take place; of twelve
# deliveries three are late, by three days on average. Common practice, no source.
STARTER_VISITS, STARTER_FAILED, STARTER_ABSENT = 20.0, 2.0, 1.0
STARTER_DELIVERIES, STARTER_LATE, STARTER_LATE_DAYS = 12.0, 3.0, 3.0
# As many deliveries does what is known of all suppliers count against one supplier's own; our own.
FIRM_WEIGHT = 6.0
_FAILED = frozenset({Inspection.Status.FAILED, Inspection.Status.NOT_READY})
_ABSENT = frozenset(
    {
        Inspection.Status.ABSENT,
        Inspection.Status.CANCELLED_BY_THEM,
        Inspection.Status.CANCELLED_WEATHER,
    }
)


@dataclass(frozen=True, slots=True)
class VisitRecord:
    """How many of an authority's visits failed or did not take place, and of how many."""

    visits: int = 0
    failed: int = 0
    absent: int = 0

    @property
    def fail_chance(self) -> float:
        """Return the chance that the next visit fails."""
        return (self.failed + STARTER_FAILED) / (self.visits + STARTER_VISITS)

    @property
    def absent_chance(self) -> float:
        """Return the chance that nobody comes to the next visit."""
        return (self.absent + STARTER_ABSENT) / (self.visits + STARTER_VISITS)


@dataclass(frozen=True, slots=True)
class LateRecord:
    """How many deliveries came after the day first promised, by how many days in all."""

    deliveries: float = 0
    late: float = 0
    late_days: float = 0

    def beside(self, prior: LateRecord, weight: float) -> LateRecord:
        """Return this record with what is known otherwise, which counts as so many deliveries."""
        scale = weight / prior.deliveries
        return LateRecord(
            self.deliveries + weight,
            self.late + prior.late * scale,
            self.late_days + prior.late_days * scale,
        )

    @property
    def chance(self) -> float:
        """Return the chance that the next delivery is late."""
        return self.late / self.deliveries

    @property
    def mean_days(self) -> float:
        """Return by how many days a late one is late on average."""
        return self.late_days / self.late


STARTER_RECORD = LateRecord(STARTER_DELIVERIES, STARTER_LATE, STARTER_LATE * STARTER_LATE_DAYS)


@dataclass(frozen=True, slots=True)
class Experience:
    """All that a forecast learns from, as it was known at one moment."""

    beliefs: Beliefs
    visits: Mapping[int, VisitRecord]
    all_suppliers: LateRecord
    suppliers: Mapping[str, LateRecord]

    def of_authority(self, authority_id: int) -> VisitRecord:
        """Return the record of an authority's visits."""
        return self.visits.get(authority_id, VisitRecord())

    def of_supplier(self, supplier: str) -> LateRecord:
        """Return a supplier's record, drawn toward all suppliers' where it says little."""
        own = self.suppliers.get(supplier, LateRecord())
        return own.beside(self.all_suppliers, FIRM_WEIGHT)


def experience(*, before: datetime) -> Experience:
    """Return what was known at a moment, in five queries."""
    suppliers = _suppliers(timezone.localdate(before))
    firm = LateRecord(
        sum(row.deliveries for row in suppliers.values()),
        sum(row.late for row in suppliers.values()),
        sum(row.late_days for row in suppliers.values()),
    )
    return Experience(
        learn(finished_work(before=before)),
        _visits(before),
        firm.beside(STARTER_RECORD, STARTER_DELIVERIES),
        suppliers,
    )


# What finished work tells of itself; all columns of its job, crew and phase are a hundred.
_FINISHED = (
    *("code", "part", "parts", "share_of_whole", "status", "done_at", "reported_hours"),
    *("labor_hours", "office_hours"),
    *("job__number", "crew__name", "crew__pace", "left_out__reason"),
)


def finished_phases(*, before: datetime) -> QuerySet[Phase]:
    """Return the phases that were done by a crew before a moment, with their hours, as they ended.

    Work that the office has left out is among them; see `left_out`.
    """
    return (
        Phase.objects.filter(
            status=Phase.Status.DONE,
            done_at__lt=before,
            crew__isnull=False,
            reported_hours__gt=0,
        )
        .select_related("job", "crew", "left_out")
        .only(*_FINISHED)
        .order_by("done_at", "id")
    )


def finished_work(*, before: datetime) -> list[Finished]:
    """Return what was done before a moment and teaches something: kind, crew, planned, actual."""
    rows = finished_phases(before=before).filter(left_out=None)
    return [work for phase in rows if (work := as_finished(phase)) is not None]


def as_finished(phase: Phase) -> Finished | None:
    """Return a done phase as learning reads it; None without hours planned and reported."""
    if phase.crew is None or not phase.reported_hours or phase.planned_hours <= 0:
        return None
    # Hours of a crew with a pace of 1.2 are worth 1.2 hours at the firm's rates.
    planned = phase.planned_hours / phase.crew.pace
    return Finished(
        phase.code, str(phase.crew_id), planned, phase.reported_hours, phase.share_of_whole
    )


def _visits(before: datetime) -> dict[int, VisitRecord]:
    counts: dict[int, list[int]] = defaultdict(lambda: [0, 0, 0])
    rows = (
        Inspection.objects.filter(requested_at__lt=before, phase__job__permit__isnull=False)
        .exclude(status__in=(*visit_states.OPEN, Inspection.Status.TAKEN_BACK))
        .exclude(status=Inspection.Status.CANCELLED_BY_US)
        .exclude(decided_at__gte=before)
        .values_list("phase__job__permit__authority_id", "status")
    )
    for authority_id, status in rows:
        count = counts[authority_id]
        count[0] += 1
        count[1] += status in _FAILED
        count[2] += status in _ABSENT
    return {authority_id: VisitRecord(*count) for authority_id, count in counts.items()}


def _suppliers(today: date) -> dict[str, LateRecord]:
    rows = Delivery.objects.filter(arrived_on__lt=today, promised_on__isnull=False)
    first = _first_promises()
    late: dict[str, list[int]] = defaultdict(list)
    for row in rows.order_by("id"):
        promised = first.get((row.job_id, row.item), row.promised_on)
        if promised is not None and row.arrived_on is not None:
            late[row.supplier].append((row.arrived_on - promised).days)
    return {supplier: _record(days) for supplier, days in late.items()}


def _record(days: Iterable[int]) -> LateRecord:
    rows = list(days)
    late = [value for value in rows if value > 0]
    return LateRecord(len(rows), len(late), sum(late))


def _first_promises() -> dict[tuple[int, str], date]:
    """Return what a supplier had promised before the first change of it."""
    rows = DeliveryReport.objects.filter(
        kind=DeliveryReport.Kind.PROMISED, promised_before__isnull=False, undone_at=None
    ).order_by("-told_at")
    return {(row.job_id, row.item): row.promised_before for row in rows if row.promised_before}
