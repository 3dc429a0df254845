"""Visits and their records: what is open, what was lost, who said what when."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from inspections.models import Inspection, InspectionEvent

if TYPE_CHECKING:
    from collections.abc import Iterable

    from jobs.models import Job, Phase

Status = Inspection.Status
OPEN = frozenset({Status.REQUESTED.value, Status.CONFIRMED.value})
PASSED = frozenset({Status.PASSED.value, Status.PASSED_CORRECTIONS.value})
# Outcomes that the authority counts as a visit made in vain, for its fee.
LOST = frozenset({Status.FAILED.value, Status.NOT_READY.value})
CLOSED = frozenset(Status.values) - OPEN - {Status.TAKEN_BACK.value}


def open_visit(phase: Phase) -> Inspection | None:
    """Return the visit of an inspection that is asked for or confirmed."""
    return phase.inspections.filter(status__in=OPEN).order_by("-requested_at", "-id").first()


def last_event(visit: Inspection) -> InspectionEvent | None:
    """Return the last line of a visit's record."""
    return visit.events.order_by("-number").first()


def job_visits(job: Job) -> list[tuple[Inspection, list[InspectionEvent]]]:
    """Return a job's visits in order of asking, each with its record, in two queries."""
    visits = Inspection.objects.filter(phase__job=job).select_related("phase__job")
    rows = list(visits.order_by("requested_at", "id"))
    return [(visit, events) for visit, events in zip(rows, _records(rows), strict=True)]


def _records(visits: Iterable[Inspection]) -> list[list[InspectionEvent]]:
    visits = list(visits)
    events = InspectionEvent.objects.filter(inspection__in=visits).select_related("by")
    by_visit: defaultdict[int, list[InspectionEvent]] = defaultdict(list)
    for event in events.order_by("number"):
        by_visit[event.inspection_id].append(event)
    return [by_visit[visit.pk] for visit in visits]
