"""Storing what weather sources tell. What cannot be used changes nothing but the error shown."""

from __future__ import annotations

import logging
from dataclasses import asdict
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from contractor.trade.kinds import Soil
from contractor.trade.weather import PHASE_GATES
from inspections.models import WeatherArea, WeatherHour
from inspections.selectors.weather import weather_at
from inspections.services.weather_sources import (
    DaysByHand,
    NwsForecast,
    SourceError,
    WeatherSource,
    hours_of_day,
)

if TYPE_CHECKING:
    from contractor.trade.weather_days import DaySummary
    from inspections.services.weather_sources import HoursTold

logger = logging.getLogger(__name__)

# Long enough for the concrete that cured in it; what is older serves nobody.
KEPT = timedelta(days=90)


def agent() -> str:
    """Return who asks: the weather service wants to know whom to call."""
    return f"Girtline ({settings.PUBLIC_URL})"


def areas_to_refresh() -> list[int]:
    """Return the keys of the areas that have a forecast address."""
    return list(
        WeatherArea.objects.exclude(forecast_url="").order_by("id").values_list("pk", flat=True)
    )


def refresh(*, area: WeatherArea, now: datetime, source: WeatherSource | None = None) -> str:
    """
    Fetch one area's forecast, and return why not; empty when it is stored.

    The source is asked outside of any transaction, as it may take its time. An area whose source
    fails keeps what it has.
    """
    if source is None:
        if not area.forecast_url:
            return f"{area.name} has no forecast address. Enter one, or enter days by hand."
        source = NwsForecast(area.forecast_url, agent())
    try:
        told = source.tell(now=now)
    except SourceError as error:
        # What a source sent may stand in it, and PostgreSQL stores no NUL.
        text = "".join(c if c.isprintable() else " " for c in str(error))[:300]
        WeatherArea.objects.filter(pk=area.pk).update(last_tried_at=now, last_error=text)
        logger.warning("No weather for area %s: %s", area.pk, text)
        return text
    store(area=area, source=source.source, told=told, now=now)
    return ""


def refresh_moves_work(*, area: WeatherArea, now: datetime) -> bool:
    """Fetch one area's forecast, and return whether it stops other days than what was known."""
    before = _stopped_days(area, now)
    refresh(area=area, now=now)
    return _stopped_days(area, now) != before


def _stopped_days(area: WeatherArea, now: datetime) -> list[object]:
    """Return the days that weather stops in an area, by gate and soil."""
    known = next(row for row in weather_at(now).areas if row.area.pk == area.pk)
    return [known.site(gate, soil=soil).key for gate in PHASE_GATES for soil in Soil]


@transaction.atomic
def store(*, area: WeatherArea, source: WeatherHour.Source, told: HoursTold, now: datetime) -> int:
    """
    Replace what a source tells of an area, wholly or not at all; return the number of hours.

    Of a forecast everything from its first hour on is replaced, and the hours before stay: what
    was forecast for yesterday is the best there is of yesterday's rain. Of days only those told.
    An older forecast than the one at hand is left out.
    """
    mine = WeatherHour.objects.filter(area=area, source=source)
    if source == WeatherHour.Source.FORECAST:
        # One area is stored by one at a time.
        WeatherArea.objects.select_for_update().get(pk=area.pk)
        if mine.filter(made_at__gt=told.made_at).exists():
            WeatherArea.objects.filter(pk=area.pk).update(last_tried_at=now)
            return 0
        mine.filter(starts_at__gte=min(told.hours)).delete()
    else:
        mine.filter(starts_at__in=list(told.hours)).delete()
    WeatherHour.objects.filter(area=area, starts_at__lt=now - KEPT).delete()
    rows = [
        WeatherHour(area=area, source=source, starts_at=at, made_at=told.made_at, **asdict(hour))
        for at, hour in told.hours.items()
    ]
    WeatherHour.objects.bulk_create(rows)
    if source == WeatherHour.Source.FORECAST:
        WeatherArea.objects.filter(pk=area.pk).update(
            last_good_at=now, last_tried_at=now, last_error=""
        )
    return len(rows)


def enter_day(*, area: WeatherArea, day: date, summary: DaySummary, now: datetime) -> int:
    """Store a day as the office says it is; return the number of its hours."""
    source = DaysByHand({day: summary}, timezone.get_default_timezone())
    return store(area=area, source=source.source, told=source.tell(now=now), now=now)


def forget_day(*, area: WeatherArea, day: date, now: datetime) -> int:
    """Take back what was entered by hand of a day; return how many hours went."""
    hours = hours_of_day(day, timezone.get_default_timezone())
    by_hand = WeatherHour.objects.filter(
        area=area, source=WeatherHour.Source.BY_HAND, starts_at__in=hours
    )
    return by_hand.delete()[0]
