from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from contractor.trade.nws_forecast import ForecastError, read_forecast
from tests.nws import gridpoint, hourly, layer

NOW = datetime(2026, 11, 24, 11, 40, tzinfo=UTC)
FIRST = datetime(2026, 11, 24, 6, tzinfo=UTC)
NOON = datetime(2026, 11, 24, 12, tzinfo=UTC)


def read(document: object):
    return read_forecast(document, now=NOW)


def with_layer(name: str, unit: str | None, value: Any, *, hours: int = 72) -> dict[str, Any]:
    return gridpoint(FIRST, **{name: layer(unit, [(FIRST, hours, value)])})


def test_gridpoint_values_hold_for_every_hour_of_their_interval():
    hours = read(gridpoint(FIRST)).hours

    assert min(hours) == NOW.replace(minute=0)
    assert hours[NOON].temp_degf == pytest.approx(59)
    assert hours[NOON].wind_mph == pytest.approx(8 / 1.609344)
    assert hours[NOON].humidity_percent == 55
    assert len(hours) == 72 - 5


def test_rain_is_the_sum_of_its_interval():
    rain = layer("wmoUnit:mm", [(FIRST, 6, 25.4), (NOON, 6, 12.7)])

    hours = read(gridpoint(FIRST, quantitativePrecipitation=rain)).hours

    assert sum(hours[NOON + n * timedelta(hours=1)].rain_in for n in range(6)) == pytest.approx(0.5)
    assert hours[NOON].rain_in == pytest.approx(0.5 / 6)


@pytest.mark.parametrize(
    ("name", "unit", "value", "field", "ours"),
    [
        ("temperature", "unit:degC", -40, "temp_degf", -40),
        ("temperature", "wmoUnit:degF", 41, "temp_degf", 41),
        ("windSpeed", "wmoUnit:m_s-1", 10, "wind_mph", 22.369),
        ("windGust", "unit:km_h-1", 100, "gust_mph", 62.137),
    ],
)
def test_units_are_converted(name, unit, value, field, ours):
    hour = read(with_layer(name, unit, value)).hours[NOON]

    assert getattr(hour, field) == pytest.approx(ours, abs=0.001)


@pytest.mark.parametrize(("percent", "thunder"), [(49, False), (50, True)])
def test_thunder_counts_when_it_is_at_least_as_likely_as_not(percent, thunder):
    hour = read(with_layer("probabilityOfThunder", None, percent)).hours[NOON]

    assert hour.thunder is thunder


@pytest.mark.parametrize(("coverage", "thunder"), [("slight_chance", False), ("likely", True)])
def test_without_chances_the_words_of_the_weather_count(coverage, thunder):
    document = with_layer("weather", None, [{"coverage": coverage, "weather": "thunderstorms"}])
    del document["properties"]["probabilityOfThunder"]

    assert read(document).hours[NOON].thunder is thunder


def test_hourly_periods_are_read_with_the_higher_wind():
    hour = read(hourly(FIRST)).hours[NOON]

    assert (hour.temp_degf, hour.wind_mph, hour.rain_in) == (59, 10, None)


@pytest.mark.parametrize(
    ("words", "thunder"),
    [
        ("Showers And Thunderstorms", True),
        ("Chance Showers And Thunderstorms", False),
        ("Isolated Thunderstorms", False),
    ],
)
def test_hourly_words_tell_thunder(words, thunder):
    assert read(hourly(FIRST, shortForecast=words)).hours[NOON].thunder is thunder


def test_quantities_with_units_are_read_in_hourly_periods():
    told = hourly(
        FIRST,
        temperature={"unitCode": "wmoUnit:degC", "value": 10},
        windSpeed={"unitCode": "wmoUnit:km_h-1", "value": 16.09344},
        windGust={"unitCode": "wmoUnit:km_h-1", "value": None},
    )

    hour = read(told).hours[NOON]

    assert (hour.temp_degf, hour.gust_mph) == (50, None)
    assert hour.wind_mph == pytest.approx(10)


def test_null_values_are_not_known():
    assert read(with_layer("windGust", "wmoUnit:km_h-1", None)).hours[NOON].gust_mph is None


@pytest.mark.parametrize(
    ("document", "says"),
    [
        ([], "not an object"),
        ({}, "properties is not an object"),
        ({"properties": {"updateTime": FIRST.isoformat()}}, "neither hourly periods nor"),
        (gridpoint(FIRST, hours=10), "fewer than 12 hours"),
        (gridpoint(FIRST, updateTime="soon"), "updateTime 'soon' is not a moment"),
        (gridpoint(FIRST, updateTime="2026-11-24T06:00:00"), "is not a moment with its offset"),
        (gridpoint(FIRST, updateTime="2026-11-20T06:00:00+00:00"), "out of date"),
        (gridpoint(FIRST, updateTime="2026-11-26T06:00:00+00:00"), "still to come"),
        (with_layer("temperature", "wmoUnit:degC", 60), "temp_degf 140"),
        (with_layer("windSpeed", "wmoUnit:km_h-1", -1), "that cannot be"),
        (with_layer("windSpeed", "wmoUnit:km_h-1", 900), "wind_mph 559"),
        (with_layer("windSpeed", "wmoUnit:knot", 10), "knot, which is not known"),
        (with_layer("temperature", "wmoUnit:degC", "mild"), "'mild' is not a number"),
        (with_layer("temperature", "wmoUnit:degC", float("nan")), "temp_degf nan"),
        (with_layer("temperature", "wmoUnit:degC", 10**400), "temperature is a number of more"),
        (with_layer("quantitativePrecipitation", "wmoUnit:mm", -3), "rain_in"),
        (gridpoint(FIRST, temperature={"uom": "wmoUnit:degC", "values": 5}), "no list of values"),
        (gridpoint(FIRST, hours=300), "longer than ten days"),
        (hourly(FIRST, windSpeed="breezy"), "'breezy' is not a speed"),
        (hourly(FIRST, temperatureUnit="K"), "which is not known"),
        (
            hourly(FIRST, endTime=(FIRST + timedelta(hours=72)).isoformat()),
            "longer than an hour",
        ),
    ],
)
def test_what_cannot_be_is_refused_with_its_name(document, says):
    with pytest.raises(ForecastError, match=says):
        read(document)


def test_an_interval_without_its_length_is_refused():
    bad = {"uom": "wmoUnit:degC", "values": [{"validTime": FIRST.isoformat(), "value": 3}]}

    with pytest.raises(ForecastError, match="not an ISO 8601 interval"):
        read(gridpoint(FIRST, temperature=bad))
