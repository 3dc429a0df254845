"""A job's life in time: what was told first, what is planned, what happened, what is forecast."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.db.models import OuterRef, Subquery

from jobs.models import Booking, JobForecast, Phase, PhaseForecast
from jobs.selectors.forecasts import latest_forecast
from jobs.selectors.plans import live_phases

if TYPE_CHECKING:
    from datetime import datetime

    from django.db.models import QuerySet

    from jobs.models import Job

Span = tuple["datetime", "datetime"]


@dataclass(frozen=True, slots=True)
class PhaseLine:
    """
    One phase in time; what is not known is None.

    `first` is its booking in the first plan that was published with it, `published` that of the
    published plan or, of finished work, of the last one that had it. `actual` ends at the moment
    asked about while work is under way. `finish` is P10, P50 and P90 of the newest forecast.
    """

    phase: Phase
    first: Span | None
    published: Span | None
    actual: Span | None
    finish: tuple[datetime | None, datetime | None, datetime | None] | None


@dataclass(frozen=True, slots=True)
class JobLine:
    """A job's phases in build order, and the forecast of the whole, if there is one."""

    phases: list[PhaseLine]
    forecast: JobForecast | None


def job_line(job: Job, *, now: datetime) -> JobLine:
    """Return a job's life in time, in four queries."""
    forecast = latest_forecast()
    whole = None
    finishes: dict[int, PhaseForecast] = {}
    if forecast is not None:
        whole = JobForecast.objects.filter(forecast=forecast, job=job).first()
        mine = PhaseForecast.objects.filter(forecast=forecast, phase__job=job)
        finishes = {row.phase_id: row for row in mine}
    return JobLine([_line(phase, finishes, now) for phase in _phases(job)], whole)


def _phases(job: Job) -> QuerySet[Phase]:
    """Return the phases, each with its first and its last published booking."""
    told = Booking.objects.filter(phase=OuterRef("pk"), plan__published_at__isnull=False)
    first = told.order_by("plan__published_at", "plan_id")
    last = told.order_by("-plan__published_at", "-plan_id")
    return (
        live_phases()
        .filter(job=job)
        .annotate(
            first_starts_at=Subquery(first.values("starts_at")[:1]),
            first_ends_at=Subquery(first.values("ends_at")[:1]),
            last_starts_at=Subquery(last.values("starts_at")[:1]),
            last_ends_at=Subquery(last.values("ends_at")[:1]),
            last_is_live=Subquery(last.values("is_live")[:1]),
        )
    )


def _line(phase: Phase, finishes: dict[int, PhaseForecast], now: datetime) -> PhaseLine:
    told = vars(phase)
    is_done = phase.status == Phase.Status.DONE
    shows_plan = told["last_is_live"] or is_done
    row = None if is_done else finishes.get(phase.pk)
    return PhaseLine(
        phase=phase,
        first=_span(told["first_starts_at"], told["first_ends_at"]),
        published=_span(told["last_starts_at"], told["last_ends_at"]) if shows_plan else None,
        actual=_actual(phase, now),
        finish=None if row is None else (row.finish_p10, row.finish_p50, row.finish_p90),
    )


def _actual(phase: Phase, now: datetime) -> Span | None:
    if phase.started_at is None:
        return None if phase.done_at is None else (phase.done_at, phase.done_at)
    return phase.started_at, max(phase.started_at, phase.done_at or now)


def _span(start: datetime | None, end: datetime | None) -> Span | None:
    return None if start is None or end is None else (start, end)
