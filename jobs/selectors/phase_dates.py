"""A phase in time: what was told first, what the published plan says, what is forecast."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db.models import OuterRef, Q, Subquery
from django.db.models.functions import Coalesce

from jobs.models import Booking, Phase, PhaseForecast

if TYPE_CHECKING:
    from collections.abc import Iterable

    from django.db.models import QuerySet

    from jobs.models import Forecast

_PLANNED = ("starts_at", "ends_at", "is_pinned", "because")
# A job's row has sixty columns; a list of phases tells its number alone.
_LISTED = (
    *("code", "part", "parts", "sequence", "status", "share_done", "started_at", "done_at"),
    *("labor_hours", "office_hours", "reported_hours", "job__number", "crew__name"),
)


def with_told_dates(phases: QuerySet[Phase]) -> QuerySet[Phase]:
    """
    Return phases with what plans have told of them, within the same query.

    `first_starts_at` and `first_ends_at` are of the first plan that was published with them, the
    baseline. `planned_starts_at`, `planned_ends_at`, `planned_is_pinned` and `planned_because` are
    of the published plan or, of finished work, of the last one that had it. None: of no plan.
    """
    told = Booking.objects.filter(phase=OuterRef("pk"), plan__published_at__isnull=False)
    first = told.order_by("plan__published_at", "plan_id")
    shown = told.filter(Q(is_live=True) | Q(phase__status=Phase.Status.DONE))
    last = shown.order_by("-plan__published_at", "-plan_id")
    return phases.annotate(
        first_starts_at=Subquery(first.values("starts_at")[:1]),
        first_ends_at=Subquery(first.values("ends_at")[:1]),
        **{f"planned_{name}": Subquery(last.values(name)[:1]) for name in _PLANNED},
    )


def listed_phases() -> QuerySet[Phase]:
    """
    Return the phases of all jobs, those left out excepted, by job in build order.

    With what `with_told_dates` adds; `crew_name`: who is booked in the published plan, else who is
    on it or did it; and `hours`, the labor hours that plans count with.
    """
    booked = Booking.objects.filter(phase=OuterRef("pk"), is_live=True)
    rows = (
        Phase.objects.exclude(status=Phase.Status.DROPPED)
        .select_related("job", "crew")
        .only(*_LISTED)
        .annotate(
            crew_name=Coalesce(Subquery(booked.values("crew__name")[:1]), "crew__name"),
            hours=Coalesce("office_hours", "labor_hours"),
        )
        .order_by("job__number", "sequence", "id")
    )
    return with_told_dates(rows)


def forecasts_of(phases: Iterable[Phase], forecast: Forecast | None) -> dict[int, PhaseForecast]:
    """Return what a forecast says of phases that are not done, by their keys, in one query."""
    ahead = [phase.pk for phase in phases if phase.status != Phase.Status.DONE]
    rows = PhaseForecast.objects.filter(forecast=forecast, phase__in=ahead)
    return {row.phase_id: row for row in rows} if forecast else {}
