"""What a visit and the phases it decides were at a moment, as plain values, and putting it back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from django.core.exceptions import ValidationError
from django.utils.dateparse import parse_datetime

from contractor.trade.phases import REWORK_OF
from inspections.models import Inspection, InspectionEvent
from jobs.models import Job, Phase
from jobs.services.intake import refresh_phases

if TYPE_CHECKING:
    from collections.abc import Mapping

VISIT_FIELDS = (
    "status",
    "visit_from",
    "visit_until",
    "decided_at",
    "released",
    "released_share",
    "note",
)
PHASE_FIELDS = (
    "status",
    "started_at",
    "done_at",
    "share_done",
    "share_at",
    "reported_hours",
    "crew_id",
    "partly_passed",
)


@dataclass
class VisitRefused(Exception):  # noqa: N818 - an answer with its reason
    """What was to be entered does not go with what is known; the text says why and what to do."""

    why: str

    def __str__(self) -> str:
        return self.why


def state_of(visit: Inspection) -> dict[str, Any]:
    """Return a visit and the phases it decides as plain values, to compare and to restore."""
    codes = (visit.phase.code, REWORK_OF[visit.phase.code])
    phases = Phase.objects.filter(job_id=visit.phase.job_id, code__in=codes)
    return {
        "visit": _plain(visit, VISIT_FIELDS),
        "phases": {phase.code: _plain(phase, PHASE_FIELDS) for phase in phases},
    }


def _plain(row: Inspection | Phase, fields: tuple[str, ...]) -> dict[str, Any]:
    values = {name: getattr(row, name) for name in fields}
    return {
        name: value.astimezone(UTC).isoformat() if isinstance(value, datetime) else value
        for name, value in values.items()
    }


def restore(visit: Inspection, before: Mapping[str, Any]) -> None:
    """Put a visit and its phases back; what did not exist before is taken back or left out."""
    if not before:
        visit.status = Inspection.Status.TAKEN_BACK
        save(visit)
        return
    _put(visit, before["visit"])
    codes = (visit.phase.code, REWORK_OF[visit.phase.code])
    for phase in Phase.objects.filter(job_id=visit.phase.job_id, code__in=codes):
        was = before["phases"].get(phase.code)
        if was is None:
            # Kept as a row: a draft may have booked it.
            phase.status = Phase.Status.DROPPED
            save(phase)
        else:
            _put(phase, was)
    refresh_phases(job=Job.objects.get(pk=visit.phase.job_id))


def _put(row: Inspection | Phase, values: Mapping[str, Any]) -> None:
    for name, value in values.items():
        is_moment = name.endswith(("_at", "_from", "_until")) and value is not None
        setattr(row, name, _moment(value) if is_moment else value)
    save(row)


def _moment(text: str) -> datetime:
    moment = parse_datetime(text)
    assert moment is not None  # written by `_plain`
    return moment


def save(row: Inspection | InspectionEvent | Phase) -> None:
    """Check and save a row. Raises VisitRefused with what the row says is wrong."""
    try:
        row.full_clean()
    except ValidationError as error:
        raise VisitRefused(" ".join(error.messages)) from None
    row.save()
