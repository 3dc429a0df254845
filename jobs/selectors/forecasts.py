"""Forecasts as they were made, and how good those turned out to be whose day has come."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from django.utils import timezone

from contractor.engine.scoring import coverage_band, crps_of_sample, pinball
from jobs.models import Forecast, Job, JobForecast, Phase, PhaseForecast
from jobs.selectors.drivers import parts_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from django.db.models import QuerySet

    from jobs.models.forecast import Spread

QUANTILES = ("p10", "p50", "p80", "p90")
SHARE_OF = {"p10": 0.10, "p50": 0.50, "p80": 0.80, "p90": 0.90}
DAY = timedelta(days=1)
# How far ahead a forecast looked, by the days to its median; our own.
LEADS = (("within 2 weeks", 14.0), ("2 to 6 weeks", 42.0), ("over 6 weeks", float("inf")))
ALL_LEADS = "all"


class _PhaseRow(NamedTuple):
    """What is told of a phase: a forecast has thousands, so they are no rows of a model."""

    job_id: int
    code: str
    part: int
    crew: str | None
    planned_start_at: datetime
    planned_finish_at: datetime
    start_p10: datetime | None
    start_p50: datetime | None
    start_p80: datetime | None
    start_p90: datetime | None
    finish_p10: datetime | None
    finish_p50: datetime | None
    finish_p80: datetime | None
    finish_p90: datetime | None


_PHASE_COLUMNS = (
    "phase__job_id",
    "phase__code",
    "phase__part",
    "crew__name",
    *_PhaseRow._fields[4:],
)


# A job's row has sixty columns, and the percentiles are read by scores alone.
_JOB_COLUMNS = (
    *("forecast_id", "job__number", "promised_on", "planned_finish_at"),
    *(f"{edge}_{name}" for edge in ("start", "finish") for name in QUANTILES),
    *("keep_chance", "expected_days_late", "drivers", "no_dates_because"),
)


@dataclass(frozen=True, slots=True)
class Coverage:
    """
    How often a quantile was not exceeded, among the forecasts whose quantile has passed.

    `low` and `high`: between which shares it lies nineteen times in twenty if the forecasts are
    calibrated and tell of jobs that have nothing in common.
    """

    name: str
    share: float
    due: int
    kept: int
    low: float
    high: float

    @property
    def covered(self) -> float:
        """Return the share that did not exceed the quantile."""
        return self.kept / self.due


@dataclass(frozen=True, slots=True)
class Calibration:
    """
    Scores of the forecasts of finishes that looked ahead so far.

    `pinball_days` by quantile and `crps_days` are over forecasts of jobs that have ended, in days;
    None where there is none.
    """

    lead: str
    forecasts: int
    ended: int
    coverages: tuple[Coverage, ...]
    pinball_days: Mapping[str, float]
    crps_days: float | None
    bias_days: float | None


def latest_forecast(*, on: date | None = None) -> Forecast | None:
    """Return the newest forecast, or the newest that was made of what was known on a day."""
    rows = Forecast.objects.filter(status=Forecast.Status.DONE).select_related("plan")
    if on is not None:
        following = datetime.combine(on + DAY, datetime.min.time())
        rows = rows.filter(as_of__lt=timezone.make_aware(following))
    return rows.order_by("-as_of", "-id").first()


def job_forecasts(forecast: Forecast) -> QuerySet[JobForecast]:
    """Return what is told of a forecast's jobs, by number."""
    return (
        JobForecast.objects.filter(forecast=forecast)
        .select_related("job")
        .only(*_JOB_COLUMNS)
        .order_by("job__number")
    )


def forecast_as_json(forecast: Forecast) -> dict[str, Any]:
    """Return a forecast as the command gives it out; times are site-local ISO 8601."""
    return {
        "forecast": head_as_json(forecast),
        "jobs": jobs_as_json(list(job_forecasts(forecast))),
    }


def head_as_json(forecast: Forecast) -> dict[str, Any]:
    """Return what a whole forecast rests on."""
    return {
        "id": forecast.pk,
        "plan": forecast.plan_id,
        "as_of": site_iso(forecast.as_of),
        "made_at": site_iso(forecast.made_at),
        "draws": forecast.draws,
        "seed": forecast.seed,
        "policy": forecast.policy,
    }


def jobs_as_json(rows: Sequence[JobForecast], *, with_phases: bool = True) -> list[dict[str, Any]]:
    """Return rows of `job_forecasts`, each with its phases in build order in one query for all."""
    if not with_phases:
        return [_job_as_json(row) for row in rows]
    phases = _phases_of(rows)
    return [
        {**_job_as_json(row), "phases": [_phase_as_json(one) for one in phases.get(row.job_id, ())]}
        for row in rows
    ]


def _phases_of(rows: Sequence[JobForecast]) -> Mapping[int, Sequence[_PhaseRow]]:
    """Return the phase forecasts of rows of one forecast, by job."""
    found: dict[int, list[_PhaseRow]] = defaultdict(list)
    every = PhaseForecast.objects.filter(
        forecast__in={row.forecast_id for row in rows}, phase__job__in=[row.job_id for row in rows]
    )
    for one in every.order_by("phase__sequence", "phase_id").values_list(*_PHASE_COLUMNS):
        phase = _PhaseRow._make(one)
        found[phase.job_id].append(phase)
    return found


def _job_as_json(row: JobForecast) -> dict[str, Any]:
    return {
        "job": row.job.number,
        "promised": row.promised_on.isoformat() if row.promised_on else None,
        "planned_finish": site_iso(row.planned_finish_at),
        "start": spread(row, "start"),
        "finish": spread(row, "finish"),
        "keep_chance": row.keep_chance,
        "expected_days_late": row.expected_days_late,
        "drivers": drivers(row),
        "no_dates_because": row.no_dates_because or None,
    }


def _phase_as_json(row: _PhaseRow) -> dict[str, Any]:
    return {
        "phase": row.code,
        "part": row.part,
        "crew": row.crew,
        "planned_start": site_iso(row.planned_start_at),
        "planned_finish": site_iso(row.planned_finish_at),
        "start": spread(row, "start"),
        "finish": spread(row, "finish"),
    }


def drivers(row: JobForecast) -> list[dict[str, Any]]:
    """Return what a job's lateness comes from, the most first, each with its share of the days."""
    total = sum(row.drivers.values())
    ordered = sorted(row.drivers.items(), key=lambda item: (-item[1], item[0]))
    found = []
    for cause, days in ordered:
        kind, name = parts_of(cause)
        share = round(days / total, 3)
        found.append({"cause": kind, "name": name or None, "days": days, "share": share})
    return found


def calibration(*, now: datetime) -> list[Calibration]:
    """
    Return how good past forecasts of finishes were, of all and by how far they looked ahead.

    Of each week the first forecast counts. Whether a quantile counts depends on its own day alone:
    it has passed, be the job ended or not. Else the quick jobs would count before the slow ones.
    Two queries.
    """
    rows = _weekly(now)
    found = [_scored(ALL_LEADS, rows, now)]
    for lead, part in _by_lead(rows):
        found.append(_scored(lead, part, now))
    return found


@dataclass(frozen=True, slots=True)
class _Past:
    """One forecast of one finish, and when that was; None where the job has not ended."""

    row: JobForecast
    ended_at: datetime | None

    def quantile(self, name: str) -> datetime | None:
        moment: datetime | None = getattr(self.row, f"finish_{name}")
        return moment

    @property
    def actual_days(self) -> float:
        assert self.ended_at is not None
        return (self.ended_at - self.row.forecast.as_of) / DAY


def ended_at(job: Job) -> datetime | None:
    """Return when the last phase of a job was done; None while one is left, or none ever was."""
    live = [phase for phase in job.phases.all() if phase.status != Phase.Status.DROPPED]
    ends = [phase.done_at for phase in live if phase.done_at is not None]
    return max(ends) if ends and len(ends) == len(live) else None


def _weekly(now: datetime) -> list[_Past]:
    made = Forecast.objects.filter(status=Forecast.Status.DONE, as_of__lt=now)
    first: dict[tuple[int, int], int] = {}
    for pk, as_of in made.order_by("as_of", "id").values_list("pk", "as_of"):
        week = timezone.localtime(as_of).isocalendar()
        first.setdefault((week.year, week.week), pk)
    rows = (
        JobForecast.objects.filter(forecast__in=first.values(), finish_p10__isnull=False)
        .exclude(job__status=Job.Status.CANCELLED)
        .select_related("forecast")
        .prefetch_related("job__phases")
        .order_by("forecast__as_of", "job")
    )
    ends: dict[int, datetime | None] = {}
    found = []
    for row in rows:
        if row.job_id not in ends:
            ends[row.job_id] = ended_at(row.job)
        end = ends[row.job_id]
        if end is None or end > row.forecast.as_of:
            found.append(_Past(row, end if end is None or end <= now else None))
    return found


def _by_lead(rows: Iterable[_Past]) -> list[tuple[str, list[_Past]]]:
    found: dict[str, list[_Past]] = defaultdict(list)
    for past in rows:
        median = past.quantile("p50")
        days = float("inf") if median is None else (median - past.row.forecast.as_of) / DAY
        found[next(name for name, most in LEADS if days <= most)].append(past)
    return [(name, found[name]) for name, _ in LEADS if found[name]]


def _scored(lead: str, rows: Sequence[_Past], now: datetime) -> Calibration:
    ended = [past for past in rows if past.ended_at is not None]
    actual = [past.actual_days for past in ended]
    losses = {}
    for name in QUANTILES:
        told = [(past.quantile(name), past) for past in ended]
        pairs = [
            (past.actual_days, (moment - past.row.forecast.as_of) / DAY)
            for moment, past in told
            if moment is not None
        ]
        if pairs:
            seen, said = zip(*pairs, strict=True)
            losses[name] = pinball(seen, said, SHARE_OF[name])
    scores = [
        crps_of_sample(days, past.row.finish_days)
        for days, past in zip(actual, ended, strict=True)
        if past.row.finish_days
    ]
    errors = [
        days - past.row.finish_days[49]
        for days, past in zip(actual, ended, strict=True)
        if past.row.finish_days
    ]
    return Calibration(
        lead=lead,
        forecasts=len(rows),
        ended=len(ended),
        coverages=tuple(c for name in QUANTILES if (c := _coverage(name, rows, now))),
        pinball_days=losses,
        crps_days=float(np.mean(scores)) if scores else None,
        bias_days=float(np.median(errors)) if errors else None,
    )


def _coverage(name: str, rows: Iterable[_Past], now: datetime) -> Coverage | None:
    due = [(moment, past) for past in rows if (moment := past.quantile(name)) and moment <= now]
    if not due:
        return None
    kept = sum(past.ended_at is not None and past.ended_at <= moment for moment, past in due)
    low, high = coverage_band(SHARE_OF[name], len(due))
    return Coverage(name, SHARE_OF[name], len(due), kept, low, high)


def spread(row: Spread | _PhaseRow, edge: str) -> dict[str, str | None]:
    """Return the quantiles of a start or a finish as JSON tells them."""
    return {name: site_iso(getattr(row, f"{edge}_{name}")) for name in QUANTILES}


def site_iso(moment: datetime | None) -> str | None:
    """Return a moment as JSON tells it: ISO 8601 with the site's offset."""
    # The current time zone is looked up anew each time, which thousands of moments would feel.
    zone = timezone.get_default_timezone()
    return None if moment is None else moment.astimezone(zone).isoformat()
