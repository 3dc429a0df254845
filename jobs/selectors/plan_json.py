"""A plan as the command and the API give it out."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any, NamedTuple

from django.utils import timezone

from jobs.models import Booking, Plan, PlannedWait
from jobs.selectors.plans import promises

if TYPE_CHECKING:
    from collections.abc import Iterable

    from django.db.models import QuerySet


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


def booking_lines(plan: Plan) -> QuerySet[Booking, BookingLine]:
    """Return what lists tell of a plan's bookings, in order of time."""
    rows = Booking.objects.filter(plan=plan).order_by("starts_at", "id")
    return rows.values_list(*_LINE_COLUMNS)


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


def _iso(instant: datetime) -> str:
    return timezone.localtime(instant).isoformat()
