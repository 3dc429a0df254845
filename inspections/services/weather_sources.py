"""Where weather comes from: one small interface, and its three makers."""

from __future__ import annotations

import csv
import io
import json
import time
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from datetime import time as clock
from http.client import HTTPException
from typing import TYPE_CHECKING, Protocol
from urllib.error import HTTPError, URLError
from urllib.request import Request

from contractor.trade.nws_forecast import ForecastError, read_forecast
from contractor.trade.weather_days import DaySummary
from inspections.models import WeatherHour
from inspections.services.public_web import PUBLIC_WEB

if TYPE_CHECKING:
    from collections.abc import Mapping
    from http.client import HTTPResponse
    from zoneinfo import ZoneInfo

    from contractor.trade.weather import HourOfWeather

# One answer of a gridpoint has some 600 kB; ten times that is no forecast.
MOST_BYTES = 6_000_000
CONNECT_SECONDS = 10.0
# A source that drips byte by byte is cut off after so long in all.
MOST_SECONDS = 30.0
_CHUNK = 65_536
_JSON_TYPES = ("application/geo+json", "application/ld+json", "application/json")
DAY_COLUMNS = ("day", "low_degf", "high_degf", "wind_mph", "gust_mph", "rain_in", "thunder")
MOST_LINES = 400


class SourceError(Exception):
    """The source gave nothing that can be used; the text says why. What is known stays."""


@dataclass(frozen=True, slots=True)
class HoursTold:
    """What a source tells: when that was made, and the hours by their moment in UTC."""

    made_at: datetime
    hours: Mapping[datetime, HourOfWeather]


class WeatherSource(Protocol):
    """Tells hours of weather of one area, or raises SourceError."""

    @property
    def source(self) -> WeatherHour.Source:
        """Return under which source its hours are kept."""

    def tell(self, *, now: datetime) -> HoursTold:
        """Return the hours as of `now`."""


@dataclass(frozen=True, slots=True)
class NwsForecast:
    """The forecast of the US National Weather Service at an address, fetched when asked."""

    url: str
    agent: str
    connect_seconds: float = CONNECT_SECONDS
    most_seconds: float = MOST_SECONDS

    source = WeatherHour.Source.FORECAST

    def tell(self, *, now: datetime) -> HoursTold:
        """Fetch and read the forecast. Raises SourceError for all that can go wrong."""
        body = self._fetched()
        try:
            document = json.loads(body)
        except (ValueError, RecursionError) as error:
            raise SourceError(f"the answer is not JSON: {error}") from error
        try:
            forecast = read_forecast(document, now=now)
        except ForecastError as error:
            raise SourceError(f"the forecast cannot be used: {error}") from error
        return HoursTold(forecast.made_at, forecast.hours)

    def _fetched(self) -> bytes:
        # The service asks for a User-Agent that says who asks.
        headers = {"Accept": "application/geo+json", "User-Agent": self.agent}
        ends_at = time.monotonic() + self.most_seconds
        try:
            request = Request(self.url, headers=headers)
            with PUBLIC_WEB.open(request, timeout=self.connect_seconds) as answer:
                _check_type(answer)
                return _read(answer, ends_at)
        except HTTPError as error:
            raise SourceError(f"the source answers {error.code} {error.reason}") from error
        except URLError as error:
            raise SourceError(f"the source cannot be reached: {error.reason}") from error
        # Too slow, cut off, or no HTTP at all.
        except (OSError, ValueError, HTTPException) as error:
            raise SourceError(f"the source broke off: {error or type(error).__name__}") from error


def _check_type(answer: HTTPResponse) -> None:
    told = answer.headers.get_content_type()
    if told not in _JSON_TYPES:
        raise SourceError(f"the answer is {told} and not JSON; check the address")


def _read(answer: HTTPResponse, ends_at: float) -> bytes:
    body = bytearray()
    while chunk := answer.read1(_CHUNK):
        body += chunk
        if len(body) > MOST_BYTES:
            raise SourceError(f"the answer is longer than {MOST_BYTES // 1_000_000} MB")
        if time.monotonic() > ends_at:
            raise SourceError("the answer takes too long; it was broken off")
    return bytes(body)


@dataclass(frozen=True, slots=True)
class DaysByHand:
    """Days as the office writes them, each spread over its hours."""

    days: Mapping[date, DaySummary]
    zone: ZoneInfo
    source: WeatherHour.Source = WeatherHour.Source.BY_HAND

    def tell(self, *, now: datetime) -> HoursTold:
        """Return the hours of the days."""
        hours: dict[datetime, HourOfWeather] = {}
        for day, summary in self.days.items():
            for at in hours_of_day(day, self.zone):
                hours[at] = summary.hour(at.astimezone(self.zone).hour)
        return HoursTold(now, hours)


@dataclass(frozen=True, slots=True)
class DaysFile:
    """A CSV file with the columns of DAY_COLUMNS; the last three may be empty or left out."""

    text: str
    zone: ZoneInfo

    source = WeatherHour.Source.CSV

    def tell(self, *, now: datetime) -> HoursTold:
        """Return the hours of the days. Raises SourceError with the line that is wrong."""
        rows = csv.DictReader(io.StringIO(self.text))
        missing = [name for name in DAY_COLUMNS[:4] if name not in (rows.fieldnames or ())]
        if missing:
            raise SourceError(f"line 1: no column {', '.join(missing)}; {', '.join(DAY_COLUMNS)}")
        days: dict[date, DaySummary] = {}
        for row in rows:
            try:
                day = date.fromisoformat((row["day"] or "").strip())
                summary = _summary(row)
            except ValueError as error:
                raise SourceError(f"line {rows.line_num}: {error}") from error
            if day in days:
                raise SourceError(f"line {rows.line_num}: {day} is there already; keep one")
            days[day] = summary
            if rows.line_num > MOST_LINES:
                raise SourceError(f"more than {MOST_LINES} lines; send a shorter file")
        if not days:
            raise SourceError("the file has no days")
        return DaysByHand(days, self.zone).tell(now=now)


def _summary(row: Mapping[str, str | None]) -> DaySummary:
    def number(name: str) -> float | None:
        cell = (row.get(name) or "").strip()
        try:
            return float(cell) if cell else None
        except ValueError:
            raise ForecastError(f"{name} {cell!r} is not a number") from None

    values = {name: number(name) for name in DAY_COLUMNS[1:-1]}
    empty = [name for name in DAY_COLUMNS[1:4] if values[name] is None]
    if empty:
        raise ForecastError(f"{', '.join(empty)} is empty")
    thunder = (row.get("thunder") or "no").strip().lower()
    if thunder not in ("yes", "no"):
        raise ForecastError(f"thunder {thunder!r}: write yes or no")
    return DaySummary(
        low_degf=values["low_degf"] or 0.0,
        high_degf=values["high_degf"] or 0.0,
        wind_mph=values["wind_mph"] or 0.0,
        gust_mph=values["gust_mph"],
        rain_in=values["rain_in"] or 0.0,
        thunder=thunder == "yes",
    )


def hours_of_day(day: date, zone: ZoneInfo) -> list[datetime]:
    """Return the hours of a local day in UTC: 23 to 25 where clocks change."""
    first, last = (
        datetime.combine(day + timedelta(days=n), clock(), tzinfo=zone).astimezone(UTC)
        for n in (0, 1)
    )
    hour = timedelta(hours=1)
    return [first + n * hour for n in range((last - first) // hour)]
