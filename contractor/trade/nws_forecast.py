"""
Reading the US National Weather Service's forecast, as its API writes it in JSON.

Two documents are read (both described in the service's public API documentation; from memory):
the raw gridpoint data, whose values hold for ISO 8601 intervals ("2026-11-24T06:00:00+00:00/PT3H"),
and the hourly forecast, a list of periods of one hour. Only the first tells amounts of rain.
What cannot be, or is not what it says to be, is refused as a whole: a plan is not made of it.
"""

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from contractor.trade.weather import HourOfWeather

HOUR = timedelta(hours=1)
# The service's own grid ends after about seven days; nothing is known of a later day.
LONGEST_AHEAD = timedelta(days=10)
# A document that was made earlier than this is not news; one from the future is a wrong clock.
OLDEST = timedelta(hours=36)
CLOCK_MAY_DIFFER = timedelta(hours=1)
LEAST_HOURS = 12
# What has ever been measured, with some room: outside it a value is a fault of the source.
POSSIBLE: Mapping[str, tuple[float, float]] = {
    "temp_degf": (-80.0, 135.0),
    "wind_mph": (0.0, 150.0),
    "gust_mph": (0.0, 250.0),
    "rain_in": (0.0, 12.0),
    "humidity_percent": (0.0, 100.0),
}
_LAYERS = {
    "temperature": "temp_degf",
    "windSpeed": "wind_mph",
    "windGust": "gust_mph",
    "relativeHumidity": "humidity_percent",
    "quantitativePrecipitation": "rain_in",
}
_TO_OURS: Mapping[tuple[str, str], tuple[float, float]] = {
    # (ours, the unit's code): factor and offset
    ("temp_degf", "degC"): (1.8, 32.0),
    ("temp_degf", "degF"): (1.0, 0.0),
    ("wind_mph", "km_h-1"): (1 / 1.609344, 0.0),
    ("wind_mph", "m_s-1"): (3600 / 1609.344, 0.0),
    ("rain_in", "mm"): (1 / 25.4, 0.0),
    ("humidity_percent", "percent"): (1.0, 0.0),
}
_LIKELY_PERCENT = 50.0
_SURE_WORDS = frozenset(
    "likely definite numerous widespread occasional frequent periods".split()  # noqa: SIM905
)
_DURATION = re.compile(r"P(?:(\d{1,2})D)?(?:T(?:(\d{1,3})H)?(?:(\d{1,4})M)?)?")
_MPH = re.compile(r"(?:\d{1,3} to )?(\d{1,3}) mph")

Hours = dict[datetime, HourOfWeather]


class ForecastError(ValueError):
    """The document is no forecast that can be used; the text says what is wrong with it."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a forecast was made, and its hours from the hour of `now` on, keyed by UTC."""

    made_at: datetime
    hours: Hours


def read_forecast(document: object, *, now: datetime) -> Forecast:
    """
    Return the forecast that a parsed JSON document holds.

    Raises
    ------
    ForecastError
        If it is not one of the two documents, is out of date, covers less than 12 hours, or holds
        a value that cannot be.
    """
    properties = _dict(_dict(document, "the document").get("properties"), "properties")
    made_at = _made_at(properties, now)
    first = now.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
    if "periods" in properties:
        found = _hours_of_periods(properties["periods"])
    elif "temperature" in properties:
        found = _hours_of_grid(properties)
    else:
        raise ForecastError(
            "there are neither hourly periods nor gridpoint data in it; use the address that ends "
            "in /gridpoints/OFFICE/X,Y or in /forecast/hourly"
        )
    last = first + LONGEST_AHEAD
    hours = {at: hour for at, hour in sorted(found.items()) if first <= at < last}
    if sum(hour.temp_degf is not None for hour in hours.values()) < LEAST_HOURS:
        raise ForecastError(f"it tells fewer than {LEAST_HOURS} hours from now on")
    return Forecast(made_at, hours)


def checked(name: str, value: float, where: str) -> float:
    """Return a value of ours if it can be; raise ForecastError naming it otherwise."""
    least, most = POSSIBLE[name]
    if not math.isfinite(value) or not least <= value <= most:
        raise ForecastError(
            f"{name} {value:g} {where}: that cannot be; it lies between {least:g} and {most:g}"
        )
    return value


def _made_at(properties: Mapping[str, Any], now: datetime) -> datetime:
    told = properties.get("updateTime") or properties.get("generatedAt")
    made_at = _instant(told, "updateTime")
    if made_at > now + CLOCK_MAY_DIFFER:
        raise ForecastError(f"it says it was made at {made_at:%Y-%m-%d %H:%M} UTC, still to come")
    if made_at < now - OLDEST:
        raise ForecastError(f"it was made at {made_at:%Y-%m-%d %H:%M} UTC and is out of date")
    return made_at


def _hours_of_grid(properties: Mapping[str, Any]) -> Hours:
    hours: Hours = {}
    for layer, name in _LAYERS.items():
        if layer not in properties:
            continue
        data = _dict(properties[layer], layer)
        unit = str(data.get("uom", "")).rpartition(":")[2]
        for at, span_hours, raw in _intervals(data, layer):
            if raw is None:
                continue
            value = checked(name, _converted(name, _number(raw, layer), unit, layer), f"at {at}")
            # Rain is the sum of its interval, all else holds for each hour of it.
            each = value / span_hours if name == "rain_in" else value
            for n in range(span_hours):
                _set(hours, at + n * HOUR, name, each)
    for at in _thunder_hours(properties):
        _set(hours, at, "thunder", True)
    return hours


def _thunder_hours(properties: Mapping[str, Any]) -> Iterator[datetime]:
    """Yield the hours in which thunder is at least as likely as not."""
    chance = properties.get("probabilityOfThunder")
    if isinstance(chance, Mapping) and chance.get("values"):
        for at, span_hours, raw in _intervals(chance, "probabilityOfThunder"):
            if raw is not None and _number(raw, "probabilityOfThunder") >= _LIKELY_PERCENT:
                yield from (at + n * HOUR for n in range(span_hours))
        return
    for at, span_hours, told in _intervals(_dict(properties.get("weather", {}), "weather"), ""):
        kinds = told if isinstance(told, list) else ()
        for kind in kinds:
            if not isinstance(kind, Mapping) or kind.get("weather") != "thunderstorms":
                continue
            if _SURE_WORDS & set(str(kind.get("coverage", "")).split("_")):
                yield from (at + n * HOUR for n in range(span_hours))


def _intervals(data: Mapping[str, Any], layer: str) -> Iterator[tuple[datetime, int, Any]]:
    """Yield the first hour, the number of hours and the raw value of each interval."""
    values = data.get("values", [])
    if not isinstance(values, list):
        raise ForecastError(f"{layer} has no list of values")
    for row in values:
        told = str(_dict(row, layer).get("validTime", ""))
        start, _, length = told.partition("/")
        match = _DURATION.fullmatch(length)
        if not match or not any(match.groups()):
            raise ForecastError(f"{layer}: {told!r} is not an ISO 8601 interval")
        days, hours, minutes = (int(part or 0) for part in match.groups())
        span = days * 24 + hours + -(-minutes // 60)
        begins = _instant(start, layer).replace(minute=0, second=0, microsecond=0)
        if not 1 <= span <= LONGEST_AHEAD // HOUR:
            raise ForecastError(f"{layer}: {told!r} is longer than ten days or no time at all")
        yield begins, span, row.get("value")


def _hours_of_periods(periods: object) -> Hours:
    if not isinstance(periods, list) or not periods:
        raise ForecastError("periods is not a list of hours")
    hours: Hours = {}
    for row in periods:
        period = _dict(row, "a period")
        starts = _instant(period.get("startTime"), "startTime")
        if _instant(period.get("endTime"), "endTime") - starts > HOUR:
            raise ForecastError(
                "its periods are longer than an hour; use the address that ends in /forecast/hourly"
            )
        at = starts.replace(minute=0, second=0, microsecond=0)
        words = str(period.get("shortForecast", "")).lower()
        hours[at] = HourOfWeather(
            temp_degf=_temperature(period, at),
            wind_mph=_speed(period.get("windSpeed"), "wind_mph", at),
            gust_mph=_speed(period.get("windGust"), "gust_mph", at),
            humidity_percent=_quantity(period.get("relativeHumidity"), "humidity_percent", at),
            thunder="thunderstorm" in words
            and not any(word in words for word in ("chance", "isolated", "scattered")),
        )
    return hours


def _temperature(period: Mapping[str, Any], at: datetime) -> float | None:
    told = period.get("temperature")
    if isinstance(told, Mapping):
        return _quantity(told, "temp_degf", at)
    if told is None:
        return None
    unit = {"F": "degF", "C": "degC"}.get(str(period.get("temperatureUnit")), "?")
    degf = _converted("temp_degf", _number(told, "temperature"), unit, "temperature")
    return checked("temp_degf", degf, f"at {at}")


def _speed(told: object, name: str, at: datetime) -> float | None:
    """Return a speed told as a quantity or in words, such as "5 to 10 mph": the higher one."""
    if told in (None, ""):
        return None
    if isinstance(told, Mapping):
        return _quantity(told, name, at)
    match = _MPH.fullmatch(str(told))
    if not match:
        raise ForecastError(f"windSpeed {told!r} is not a speed like '5 to 10 mph'")
    return checked(name, float(match[1]), f"at {at}")


def _quantity(told: object, name: str, at: datetime) -> float | None:
    data = _dict(told, name) if told is not None else {}
    raw = data.get("value")
    if raw is None:
        return None
    unit = str(data.get("unitCode", "")).rpartition(":")[2]
    return checked(name, _converted(name, _number(raw, name), unit, name), f"at {at}")


def _converted(name: str, value: float, unit: str, layer: str) -> float:
    ours = "wind_mph" if name == "gust_mph" else name
    if (ours, unit) not in _TO_OURS:
        raise ForecastError(f"{layer} is told in {unit or 'no unit'}, which is not known here")
    factor, offset = _TO_OURS[ours, unit]
    return value * factor + offset


def _set(hours: Hours, at: datetime, name: str, value: object) -> None:
    changes: dict[str, Any] = {name: value}
    hours[at] = replace(hours.get(at, HourOfWeather()), **changes)


def _instant(told: object, name: str) -> datetime:
    try:
        moment = datetime.fromisoformat(str(told))
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise ForecastError(f"{name} {told!r} is not a moment with its offset")
    return moment.astimezone(UTC)


def _number(told: object, name: str) -> float:
    if isinstance(told, bool) or not isinstance(told, int | float):
        raise ForecastError(f"{name} {told!r} is not a number")
    try:
        return float(told)
    except OverflowError as beyond:  # JSON's integers have no end (RFC 8259, section 6).
        raise ForecastError(f"{name} is a number of more than 300 digits") from beyond


def _dict(told: object, name: str) -> Mapping[str, Any]:
    if not isinstance(told, Mapping):
        raise ForecastError(f"{name} is not an object of JSON")
    return told
