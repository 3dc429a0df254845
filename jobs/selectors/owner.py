"""What the owner's page shows: load, backlog, finishes against promises, slips, calibration."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.trade.causes import Cause
from jobs.models import JobForecast
from jobs.selectors.backlog import Backlog, backlog
from jobs.selectors.crew_load import (
    CrewLoad,
    active_crews,
    crew_loads,
)
from jobs.selectors.drivers import Driver, named, words_of
from jobs.selectors.forecasts import Calibration, calibration, drivers, latest_forecast
from jobs.selectors.slips import slips

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

    from jobs.models import Forecast, Job

# How far back slips count, and how many weeks ahead are shown; our own.
SLIP_DAYS = 365
WEEKS_SHOWN = 26
# Of what lateness comes from, so many causes are shown, and none that bears less.
DRIVERS_SHOWN, LEAST_SHARE = 3, 0.1


@dataclass(frozen=True, slots=True)
class FirmWeek:
    """
    One ISO week of all crews: the hours they work, and those of them that are booked.

    `by_crew` has the same two of each crew, in the order in which the crews were given.
    """

    week: str
    monday: date
    working_hours: float
    booked_hours: float
    by_crew: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class FinishRow:
    """A job's forecast finish by day against its promise; None beyond what was simulated."""

    job: Job
    p10: date | None
    p50: date | None
    p80: date | None
    p90: date | None
    promised_on: date | None
    keep_chance: float | None
    expected_days_late: float | None
    drivers: tuple[tuple[str, float], ...]
    no_dates_because: str


@dataclass(frozen=True, slots=True)
class CauseRow:
    """Slips of the last year by cause: how many, and by how many working days in all."""

    cause: str
    slips: int
    days: float


@dataclass(frozen=True, slots=True)
class OwnersView:
    """All of the owner's page. Without a forecast there are no finishes."""

    backlog: Backlog
    crews: tuple[CrewLoad, ...]
    weeks: tuple[FirmWeek, ...]
    forecast: Forecast | None
    finishes: tuple[FinishRow, ...]
    causes: tuple[CauseRow, ...]
    calibration: tuple[Calibration, ...]


def owners_view(*, now: datetime) -> OwnersView:
    """Return what the owner's page shows at `now`, in a constant number of queries."""
    crews = tuple(crew_loads(list(active_crews()), now=now))
    forecast = latest_forecast()
    return OwnersView(
        backlog=backlog(now=now),
        crews=crews,
        weeks=firm_weeks(crews),
        forecast=forecast,
        finishes=() if forecast is None else _finishes(forecast),
        causes=slips_by_cause(now=now),
        calibration=tuple(calibration(now=now)),
    )


def firm_weeks(crews: Sequence[CrewLoad]) -> tuple[FirmWeek, ...]:
    """Return the weeks of all crews together, as far as any of them is booked."""
    longest = max((row.weeks for row in crews), key=len, default=())
    found = []
    for index, week in enumerate(longest[:WEEKS_SHOWN]):
        by_crew = tuple(
            (
                sum(row.days.free_hours_on(week.monday + timedelta(days=n)) for n in range(7)),
                row.weeks[index].booked_hours if index < len(row.weeks) else 0.0,
            )
            for row in crews
        )
        working, booked = (sum(hours) for hours in zip(*by_crew, strict=True))
        found.append(FirmWeek(week.week, week.monday, working, booked, by_crew))
    return tuple(found)


def slips_by_cause(*, now: datetime) -> tuple[CauseRow, ...]:
    """Return the slips found in the last year by cause, those that cost most first; one query."""
    since = now - timedelta(days=SLIP_DAYS)
    found: dict[str, list[float]] = defaultdict(list)
    for slip in slips().filter(found_at__gt=since, found_at__lte=now):
        found[Cause(slip.cause).label if slip.cause else "Not said yet"].append(slip.days)
    rows = [CauseRow(cause, len(days), sum(days)) for cause, days in found.items()]
    return tuple(sorted(rows, key=lambda row: (-row.days, row.cause)))


def _finishes(forecast: Forecast) -> tuple[FinishRow, ...]:
    """Return the jobs of a forecast, the least sure promises first."""
    rows = JobForecast.objects.filter(forecast=forecast).select_related("job")
    found = [
        FinishRow(
            job=row.job,
            p10=_day(row.finish_p10),
            p50=_day(row.finish_p50),
            p80=_day(row.finish_p80),
            p90=_day(row.finish_p90),
            promised_on=row.promised_on,
            keep_chance=row.keep_chance,
            expected_days_late=row.expected_days_late,
            drivers=_most(row),
            no_dates_because=row.no_dates_because,
        )
        for row in rows
    ]
    return tuple(
        sorted(
            found,
            key=lambda row: (row.keep_chance is None, row.keep_chance or 0, row.job.number),
        )
    )


def _most(row: JobForecast) -> tuple[tuple[str, float], ...]:
    """Return the causes that bear most of a job's lateness in words, each with its share."""
    told = [
        (words_of(named(Driver(one["cause"]), one["name"] or "")), one["share"])
        for one in drivers(row)[:DRIVERS_SHOWN]
    ]
    return tuple(one for one in told if one[1] >= LEAST_SHARE)


def _day(moment: datetime | None) -> date | None:
    return None if moment is None else timezone.localdate(moment)
