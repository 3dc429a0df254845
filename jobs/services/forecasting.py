"""Forecast the published plan: thousands of draws of its policy, kept as they were made."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from django.db import transaction
from django.utils import timezone

from contractor.engine import planner
from contractor.engine.simulate.simulation import EARLY_DAYS, Simulated, merged, simulate
from contractor.engine.worktime import HorizonExceeded
from jobs.models import Forecast, ForecastChunk, JobForecast, PhaseForecast
from jobs.selectors import plans
from jobs.selectors.clock import database_now
from jobs.selectors.history import experience
from jobs.services.chances import Odds, odds_of
from jobs.services.forecast_rows import ForecastRows
from jobs.services.lateness import days_late_by_cause
from jobs.services.lateness_names import names_of, with_names
from jobs.services.outlasting import outlasting
from jobs.services.plan_making import (
    FIRST_HORIZON_DAYS,
    LAST_HORIZON_DAYS,
    TooFarAheadError,
    gather,
)
from jobs.services.portfolio import Portfolio, build_portfolio, state_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from contractor.engine.schedule import Schedule
    from jobs.models import Plan
    from jobs.selectors.open_work import OpenWork
    from jobs.services.plan_making import Progress

    _Found = tuple[ForecastRows, Sequence[Mapping[str, float]]]

DRAWS = 2000
RUNS_IN_A_CHUNK = 500
# Draws end later than the plan does: of the axis, so much at the most is the plan's; our own.
MOST_OF_AXIS = 0.6
POLICY = (
    "Published order: each crew keeps its work of the published plan and takes, of what is ready, "
    f"what was planned first, at most {EARLY_DAYS} days before its planned start. "
    "Nobody plans again."
)


class NoPublishedPlan(Exception):  # noqa: N818 - an answer with its remedy
    """There is no published plan whose dates could be forecast."""


class WorkHasChanged(Exception):  # noqa: N818 - a signal to the caller, who forecasts afresh
    """The open work is no longer what a forecast was begun with."""


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """The published plan pushed right to a moment, and what may go otherwise from there on."""

    plan: Plan
    portfolio: Portfolio
    schedule: Schedule
    odds: Odds
    state: str


def outlook(*, now: datetime) -> Outlook:
    """
    Return the published plan as it stands at `now`, with its chances.

    Raises
    ------
    NoPublishedPlan
        If nothing is published.
    crews.selectors.NoFirm
        If no firm is entered.
    TooFarAheadError
        If the work does not end within about ten years.
    """
    plan = plans.published_plan()
    if plan is None:
        raise NoPublishedPlan(
            "No plan is published, so there is nothing to forecast. Publish one: manage.py plan "
            "--publish, or Publish on a draft's page."
        )
    portfolio, schedule = pushed_with_room(gather(now=now))
    odds = odds_of(portfolio, schedule, experience(before=now))
    odds = replace(odds, problem=outlasting(odds.problem, schedule))
    state = f"{state_of(portfolio.problem)}:{odds.digest()}"
    return Outlook(plan, portfolio, schedule, odds, state)


def pushed_with_room(work: OpenWork) -> tuple[Portfolio, Schedule]:
    """
    Return the plan of some open work that keeps what people were told, with room for bad luck.

    Its axis is so long that the plan takes a part of it only. Raises TooFarAheadError.
    """
    horizon_days = FIRST_HORIZON_DAYS
    while horizon_days <= LAST_HORIZON_DAYS:
        try:
            portfolio = build_portfolio(
                work=work, zone=timezone.get_default_timezone(), horizon_days=horizon_days
            )
            schedule = planner.repair(portfolio.problem).schedule
        except HorizonExceeded:
            horizon_days *= 2
            continue
        problem = portfolio.problem
        ends = max((place.finish for place in schedule.placed if place), default=0)
        has_room = ends - problem.now <= MOST_OF_AXIS * (problem.axis.slots - problem.now)
        if has_room or horizon_days * 2 > LAST_HORIZON_DAYS:
            return portfolio, schedule
        horizon_days *= 2
    raise TooFarAheadError(
        f"The open work reaches further than {LAST_HORIZON_DAYS} days ahead. "
        "Look for a date typed wrong, for a crew without working days, or for more work "
        "than the crews can do in that time."
    )


def forecast_now(
    *,
    now: datetime,
    draws: int = DRAWS,
    seed: int = 1,
    workers: int = 1,
    progress: Progress | None = None,
) -> Forecast:
    """
    Return a forecast of the published plan as of `now`, stored whole or not at all.

    The same rows, draws and seed give the same forecast, whatever the workers. Raises as `outlook`.
    """
    tell = progress or _tell_nobody
    tell(2, "Reading the open work")
    seen = outlook(now=now)
    tell(10, f"Drawing {draws:,} times")
    drawn = simulate(
        seen.odds.problem,
        seen.schedule,
        seen.odds.chances,
        runs=draws,
        seed=seed,
        workers=workers,
        progress=lambda made: tell(10 + round(70 * made / draws), f"{made:,} of {draws:,} draws"),
    )
    tell(82, "Looking for what drives the dates")
    found = _found(seen, drawn, seed=seed)
    tell(95, "Storing the forecast")
    with transaction.atomic():
        return _store(_new_forecast(seen, draws=draws, seed=seed, now=now), found)


def begin(*, now: datetime, draws: int = DRAWS, seed: int = 1) -> Forecast:
    """
    Return a forecast to be made in chunks by any number of workers; its chunks are rows.

    One that was begun before and is not done is given up. Raises as `outlook`.
    """
    seen = outlook(now=now)
    with transaction.atomic():
        for row in Forecast.objects.filter(status=Forecast.Status.MAKING):
            _give_up(row)
        forecast = _new_forecast(seen, draws=draws, seed=seed, now=now)
        ForecastChunk.objects.bulk_create(
            ForecastChunk(
                forecast=forecast, first_run=first, runs=min(RUNS_IN_A_CHUNK, draws - first)
            )
            for first in range(0, draws, RUNS_IN_A_CHUNK)
        )
    return forecast


def make_chunk(*, chunk_id: int) -> Forecast | None:
    """
    Make the draws of one chunk, however often asked; whoever makes the last one merges them all.

    Returns the forecast once it is done. It is given up where the work has changed since it was
    begun. Raises as `outlook`.
    """
    chunk = ForecastChunk.objects.select_related("forecast").filter(pk=chunk_id).first()
    if chunk is None or chunk.forecast.status != Forecast.Status.MAKING:
        return None
    forecast = chunk.forecast
    seen = outlook(now=forecast.as_of)
    if seen.state != forecast.state or seen.plan.pk != forecast.plan_id:
        _give_up(forecast)
        raise WorkHasChanged
    if chunk.dates is None:
        drawn = simulate(
            seen.odds.problem,
            seen.schedule,
            seen.odds.chances,
            runs=chunk.runs,
            seed=forecast.seed,
            first_run=chunk.first_run,
        )
        ForecastChunk.objects.filter(pk=chunk.pk).update(dates=_packed(drawn))
    return _merge(forecast, seen)


def open_chunks(*, begun_before: datetime) -> list[int]:
    """Return the chunks of forecasts begun before a moment that are still to be made, in order."""
    rows = ForecastChunk.objects.filter(
        forecast__status=Forecast.Status.MAKING, forecast__as_of__lt=begun_before
    )
    waiting = rows.filter(dates=None).order_by("forecast", "first_run").values_list("pk", flat=True)
    # All made and not merged: its last worker died in between.
    return list(waiting) or list(rows.order_by("-pk").values_list("pk", flat=True)[:1])


def _merge(forecast: Forecast, seen: Outlook) -> Forecast | None:
    """
    Make the rows of a forecast whose draws are all there; None while some are missing.

    Nothing is locked while it is worked out: of two that do, the first to store has made it.
    """
    chunks = list(forecast.chunks.order_by("first_run"))
    if not chunks or any(chunk.dates is None for chunk in chunks):
        return None
    size = len(seen.portfolio.problem.activities)
    drawn = merged([_unpacked(chunk, size) for chunk in chunks])
    found = _found(seen, drawn, seed=forecast.seed)
    with transaction.atomic():
        row = Forecast.objects.select_for_update().get(pk=forecast.pk)
        if row.status != Forecast.Status.MAKING:
            return None
        row.chunks.all().delete()
        return _store(row, found)


def _new_forecast(seen: Outlook, *, draws: int, seed: int, now: datetime) -> Forecast:
    forecast = Forecast(
        plan=seen.plan, as_of=now, draws=draws, seed=seed, policy=POLICY, state=seen.state
    )
    forecast.full_clean()
    forecast.save()
    return forecast


def _found(seen: Outlook, drawn: Simulated, *, seed: int) -> _Found:
    rows = ForecastRows(seen.portfolio, seen.schedule, drawn)
    return rows, _drivers(seen, drawn, seed=seed)


def _store(forecast: Forecast, found: _Found) -> Forecast:
    """Write the rows of a forecast from what its draws say."""
    rows, drivers = found
    JobForecast.objects.bulk_create(rows.jobs(forecast, drivers))
    PhaseForecast.objects.bulk_create(rows.phases(forecast))
    forecast.status, forecast.made_at = Forecast.Status.DONE, database_now()
    forecast.save(update_fields=["status", "made_at"])
    return forecast


def _drivers(seen: Outlook, drawn: Simulated, *, seed: int) -> list[dict[str, float]]:
    """Return by job the days late to expect from each cause."""
    names = names_of(seen.portfolio, seen.odds)
    schedule = with_names(seen.portfolio, seen.schedule, names, seen.odds)
    return days_late_by_cause(
        seen.odds.problem,
        (seen.portfolio.problem, schedule),
        seen.odds.chances,
        drawn,
        seed=seed,
        names=names,
    )


def _give_up(forecast: Forecast) -> None:
    Forecast.objects.filter(pk=forecast.pk, status=Forecast.Status.MAKING).update(
        status=Forecast.Status.OVERTAKEN
    )
    forecast.chunks.all().delete()


def _packed(drawn: Simulated) -> bytes:
    return zlib.compress(drawn.starts.tobytes() + drawn.finishes.tobytes(), level=1)


def _unpacked(chunk: ForecastChunk, size: int) -> Simulated:
    assert chunk.dates is not None
    dates = np.frombuffer(zlib.decompress(bytes(chunk.dates)), dtype=np.int32)
    starts, finishes = dates.reshape(2, size, chunk.runs)
    return Simulated(chunk.first_run, starts, finishes)


def _tell_nobody(percent: int, text: str, total: float | None = None) -> None:
    """Forecasting without anyone watching."""
