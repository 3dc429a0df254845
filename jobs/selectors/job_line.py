"""A job's life in time: what was told first, what is planned, what happened, what is forecast."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from jobs.models import JobForecast
from jobs.selectors.forecasts import latest_forecast
from jobs.selectors.job_progress import live_phases
from jobs.selectors.phase_dates import forecasts_of, with_told_dates

if TYPE_CHECKING:
    from datetime import datetime

    from jobs.models import Forecast, Job, Phase, PhaseForecast

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
    """
    A job's phases in build order, and the forecast of the whole, if there is one.

    `forecast_run` is the newest forecast of all jobs, in which this one may be missing.
    """

    phases: list[PhaseLine]
    forecast: JobForecast | None
    forecast_run: Forecast | None


def job_line(job: Job, *, now: datetime) -> JobLine:
    """Return a job's life in time, in four queries."""
    forecast = latest_forecast()
    whole = None
    if forecast is not None:
        whole = JobForecast.objects.filter(forecast=forecast, job=job).first()
    phases = list(with_told_dates(live_phases().filter(job=job)))
    finishes = forecasts_of(phases, forecast)
    return JobLine([_line(phase, finishes, now) for phase in phases], whole, forecast)


def _line(phase: Phase, finishes: dict[int, PhaseForecast], now: datetime) -> PhaseLine:
    told = vars(phase)
    row = finishes.get(phase.pk)
    return PhaseLine(
        phase=phase,
        first=_span(told["first_starts_at"], told["first_ends_at"]),
        published=_span(told["planned_starts_at"], told["planned_ends_at"]),
        actual=_actual(phase, now),
        finish=None if row is None else (row.finish_p10, row.finish_p50, row.finish_p90),
    )


def _actual(phase: Phase, now: datetime) -> Span | None:
    """Return from when to when work on a phase was done, until `now` while it is under way."""
    if phase.started_at is None:
        return None if phase.done_at is None else (phase.done_at, phase.done_at)
    return phase.started_at, max(phase.started_at, phase.done_at or now)


def _span(start: datetime | None, end: datetime | None) -> Span | None:
    return None if start is None or end is None else (start, end)
