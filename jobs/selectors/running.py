"""What runs, what waits and what was done last: the rows that tell whether all is well."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from django.db.models import Max, Min

from inspections.models import WeatherArea
from jobs.models import Forecast, Heartbeat, Notice, Plan, PlanRequest, TaskRequest
from jobs.selectors.clock import database_now

if TYPE_CHECKING:
    from datetime import datetime

WORKER, CLOCK, BACKUP = "worker", "worker clock", "backup"
HOST_MARK = "@"
"""What the names of rows begin with that say which host a worker was seen on."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """Signs of life: ages by the database's clock, and how far ahead of it the worker's is."""

    now: datetime
    beat_age: timedelta | None
    clock_off_seconds: int | None
    unsent_for: timedelta | None
    seen: tuple[tuple[str, timedelta], ...]
    """Hosts of workers, each with the time since it last ran the heartbeat."""
    backup_age: timedelta | None


@dataclass(frozen=True, slots=True)
class Failed:
    """One piece of work that was given up, and can be asked for again."""

    key: int
    what: str
    error: str
    since: datetime


@dataclass(frozen=True, slots=True)
class Work:
    """What waits and what was done last. An age is None where there is nothing."""

    wishes: int
    """How many plans and tasks are asked for and not begun."""
    waits_for: timedelta | None
    """For how long the oldest of them could have been begun."""
    tasks: tuple[Failed, ...]
    plans: tuple[Failed, ...]
    parked_notices: int
    plan_age: timedelta | None
    plan_seconds: float | None
    published_age: timedelta | None
    forecast_age: timedelta | None
    weather: tuple[tuple[str, timedelta | None], ...]
    """Weather areas that are fetched, each with the age of its last good forecast."""


def pulse() -> Pulse:
    """Return the signs of life, by three queries."""
    now = database_now()
    beats = dict(Heartbeat.objects.values_list("name", "beat_at"))
    beat, clock = beats.get(WORKER), beats.get(CLOCK)
    unsent = oldest_unsent(now=now)
    return Pulse(
        now=now,
        beat_age=_age(beat, now),
        clock_off_seconds=round((clock - beat).total_seconds()) if beat and clock else None,
        unsent_for=_age(unsent, now),
        seen=tuple(
            (name.removeprefix(HOST_MARK), now - at)
            for name, at in sorted(beats.items())
            if name.startswith(HOST_MARK)
        ),
        backup_age=_age(beats.get(BACKUP), now),
    )


def oldest_unsent(*, now: datetime) -> datetime | None:
    """Return since when the oldest notice that should have gone out is due; None where none is."""
    overdue = Notice.objects.filter(state=Notice.State.WAITING, next_try_at__lte=now)
    return overdue.order_by("next_try_at").values_list("next_try_at", flat=True).first()


def work(*, now: datetime) -> Work:
    """Return what waits and what was done last; the number of queries does not grow."""
    tasks = TaskRequest.objects.filter(status=TaskRequest.Status.QUEUED)
    plans = PlanRequest.objects.filter(status=PlanRequest.Status.QUEUED)
    due = [
        tasks.aggregate(at=Min("next_try_at"))["at"],
        plans.aggregate(at=Min("requested_at"))["at"],
    ]
    first = min((at for at in due if at is not None and at <= now), default=None)
    plan = Plan.objects.order_by("-made_at").values_list("made_at", "seconds").first()
    published = Plan.objects.filter(status=Plan.Status.PUBLISHED)
    made = Forecast.objects.filter(status=Forecast.Status.DONE)
    areas = WeatherArea.objects.exclude(forecast_url="").order_by("name")
    return Work(
        wishes=tasks.count() + plans.count(),
        waits_for=_age(first, now),
        tasks=_parked_tasks(),
        plans=_failed_plans(),
        parked_notices=Notice.objects.filter(state=Notice.State.PARKED).count(),
        plan_age=_age(plan[0], now) if plan else None,
        plan_seconds=plan[1] if plan else None,
        published_age=_age(published.aggregate(at=Max("published_at"))["at"], now),
        forecast_age=_age(made.aggregate(at=Max("made_at"))["at"], now),
        weather=tuple(
            (name, _age(at, now)) for name, at in areas.values_list("name", "last_good_at")
        ),
    )


def _parked_tasks() -> tuple[Failed, ...]:
    rows = TaskRequest.objects.filter(status=TaskRequest.Status.PARKED).order_by("pk")
    return tuple(Failed(row.pk, str(row), row.error, row.requested_at) for row in rows)


def _failed_plans() -> tuple[Failed, ...]:
    """Return the requests that failed since a plan was last made: older ones have their answer."""
    done = PlanRequest.objects.filter(status=PlanRequest.Status.DONE)
    since = done.aggregate(at=Max("requested_at"))["at"]
    rows = PlanRequest.objects.filter(status=PlanRequest.Status.FAILED).order_by("pk")
    if since is not None:
        rows = rows.filter(requested_at__gt=since)
    return tuple(Failed(row.pk, f"Plan: {row.reason}", row.error, row.requested_at) for row in rows)


def _age(at: datetime | None, now: datetime) -> timedelta | None:
    return None if at is None else now - at
