"""
A job as its buyer is told of it: stages in plain words, in weeks, and the likely finish.

Hours and days would be read as promises. The weeks come from the published plan, the likely finish
from the newest forecast; both are Monday to Sunday, so that small moves change nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from types import MappingProxyType
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.trade.labeled import Labeled
from jobs.models import Booking, Forecast, JobForecast, Phase

if TYPE_CHECKING:
    from jobs.models import Job

# Every phase of the phase table is in one stage; the order is that of building.
STAGES: Mapping[str, tuple[str, frozenset[str]]] = MappingProxyType(
    {
        "GROUND": (
            "Layout, holes and posts",
            frozenset({"LAYOUT", "DIG", "HOLE_INSPECTION", "HOLE_REWORK", "POUR", "POSTS"}),
        ),
        "SLAB": ("Concrete slab", frozenset({"SLAB_INSPECTION", "SLAB_REWORK", "SLAB"})),
        "FRAME": (
            "Frame and trusses",
            frozenset({"FRAME", "TRUSSES", "FRAME_INSPECTION", "FRAME_REWORK"}),
        ),
        "STEEL": ("Roof and walls", frozenset({"ROOF", "WALLS", "TRIM"})),
        "DOORS": ("Doors and windows", frozenset({"OVERHEAD_DOORS", "DOORS"})),
        "INSIDE": ("Inside work", frozenset({"ROUGH_TRADES", "INSULATION", "LINER"})),
        "END": (
            "Final inspection and clean up",
            frozenset({"FINAL_INSPECTION", "FINAL_REWORK", "PUNCH"}),
        ),
    }
)
_WEEK = timedelta(days=7)


class StageState(Labeled):
    """Where a stage stands."""

    DONE = "DONE"
    UNDER_WAY = "UNDER_WAY"
    TO_COME = "TO_COME"


@dataclass(frozen=True, slots=True)
class Weeks:
    """Whole weeks: the first Monday and the last Sunday."""

    first_monday: date
    last_sunday: date

    @property
    def words(self) -> str:
        """Return the weeks in words."""
        first = f"{self.first_monday:%b %-d}"
        if self.last_sunday - self.first_monday < _WEEK:
            return f"the week of {first}, {self.first_monday.year}"
        last = f"{self.last_sunday:%b %-d}, {self.last_sunday.year}"
        years = self.first_monday.year != self.last_sunday.year
        return f"{first}{f', {self.first_monday.year}' if years else ''} to {last}"


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage of a job; `weeks` where it is planned, `done_on` where it is done."""

    code: str
    label: str
    state: StageState
    weeks: Weeks | None
    done_on: date | None


def stages_of(phases: Iterable[Phase], bookings: Mapping[int, Booking]) -> tuple[Stage, ...]:
    """
    Return the stages that a job has, in the order of building; no query.

    `phases` are those of one job; `bookings` are of the published plan, by phase.
    """
    live = [phase for phase in phases if phase.status != Phase.Status.DROPPED]
    stages = []
    for code, (label, codes) in STAGES.items():
        mine = [phase for phase in live if phase.code in codes]
        if mine:
            stages.append(_stage(code, label, mine, bookings))
    return tuple(stages)


def finish_weeks(bookings: Iterable[Booking], forecast: JobForecast | None) -> Weeks | None:
    """
    Return the weeks in which a job is likely to be finished; None where nothing is known.

    From P10 to P90 of the forecast, and always with the planned finish, which may be newer.
    """
    moments = [max((row.ends_at for row in bookings), default=None)]
    if forecast is not None and forecast.finish_p10 is not None:
        moments += [forecast.finish_p10, forecast.finish_p90]
    known = [moment for moment in moments if moment is not None]
    return _weeks(min(known), max(known)) if known else None


def newest_forecasts(jobs: Iterable[Job]) -> dict[int, JobForecast]:
    """Return each job's row of the newest forecast, by job, in two queries."""
    forecast = Forecast.objects.filter(status=Forecast.Status.DONE).order_by("-as_of", "-id")
    newest = forecast.values_list("pk", flat=True).first()
    rows = JobForecast.objects.filter(forecast=newest, job__in=[job.pk for job in jobs])
    return {row.job_id: row for row in rows}


def _stage(code: str, label: str, mine: list[Phase], bookings: Mapping[int, Booking]) -> Stage:
    done = [phase.done_at for phase in mine if phase.done_at is not None]
    if len(done) == len(mine):
        return Stage(code, label, StageState.DONE, None, timezone.localdate(max(done)))
    booked = [bookings[phase.pk] for phase in mine if phase.pk in bookings]
    begun = [phase.started_at for phase in mine if phase.started_at is not None]
    weeks = None
    if booked:
        starts = [*begun, *(row.starts_at for row in booked)]
        weeks = _weeks(min(starts), max(row.ends_at for row in booked))
    state = StageState.UNDER_WAY if begun or done else StageState.TO_COME
    return Stage(code, label, state, weeks, None)


def _weeks(first: datetime, last: datetime) -> Weeks:
    start, end = timezone.localdate(first), timezone.localdate(last)
    monday = start - timedelta(days=start.weekday())
    return Weeks(monday, end + timedelta(days=6 - end.weekday()))
