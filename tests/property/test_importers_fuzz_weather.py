"""Whatever a source of weather sends: it is a forecast, or it is refused in words as a whole."""

import json
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from contractor.trade.nws_forecast import ForecastError, read_forecast
from inspections.services.weather_sources import DAY_COLUMNS, DaysFile, SourceError
from tests import nws
from tests.property.odd_cells import CELLS, csv_of
from tests.service.portfolio import ZONE

MANY = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
FIRST = datetime(2026, 6, 1, 6, tzinfo=UTC)
NOW = FIRST + timedelta(minutes=20)
LEAVES = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=12)
    | st.sampled_from(
        [
            "2026-06-01T06:00:00+00:00/PT3H",
            "9999-12-31T23:00:00+00:00/P9D",
            "0001-01-01T00:00:00+14:00/PT1H",
            "2026-06-01T06:00:00/PT3H",
            "2026-06-01T06:00:00+00:00/P0D",
            "wmoUnit:degC",
            "wmoUnit:K",
            "10 mph",
            "5 to 10 mph",
            10**400,
            -(10**400),
        ]
    )
)
JSON = st.recursive(
    LEAVES,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["values", "validTime", "value", "uom", "weather", "coverage"]),
            inner,
            max_size=3,
        )
    ),
    max_leaves=6,
)


def places(document: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return every place in a JSON document."""
    inner: Iterable[tuple[Any, Any]] = ()
    if isinstance(document, dict):
        inner = document.items()
    elif isinstance(document, list):
        inner = enumerate(document)
    return [path, *(found for key, value in inner for found in places(value, (*path, key)))]


def replaced(document: Any, path: tuple[Any, ...], value: Any) -> Any:
    if not path:
        return value
    copy = document.copy()
    copy[path[0]] = replaced(document[path[0]], path[1:], value)
    return copy


DOCUMENTS = (nws.gridpoint(FIRST, hours=30), nws.hourly(FIRST, hours=14))
PLACES = tuple(places(document) for document in DOCUMENTS)


def in_words(refusal: Exception) -> None:
    assert len(str(refusal)) > 10


def told(document: Any) -> None:
    try:
        forecast = read_forecast(document, now=NOW)
    except ForecastError as error:
        in_words(error)
        return
    assert all(at.utcoffset() == timedelta() for at in forecast.hours)
    assert len(forecast.hours) >= 12


@MANY
@given(JSON)
def test_any_json_is_a_forecast_or_is_refused(document: Any) -> None:
    told(document)


@settings(MANY, max_examples=150)
@given(st.integers(0, 1), st.lists(st.tuples(st.integers(0, 10_000), JSON), min_size=1, max_size=3))
def test_a_forecast_with_any_part_of_it_spoilt_is_read_or_refused(
    which: int, changes: list[tuple[int, Any]]
) -> None:
    document: Any = DOCUMENTS[which]
    for at, value in changes:
        path = PLACES[which][at % len(PLACES[which])]
        try:
            document = replaced(document, path, value)
        except (KeyError, IndexError, TypeError, AttributeError):
            continue  # a change before it took that place away

    told(document)
    if not isinstance(document, float):
        told(json.loads(json.dumps(document)))


@MANY
@given(st.lists(st.lists(CELLS, min_size=4, max_size=8), max_size=4))
def test_any_days_of_weather_are_read_or_refused_with_the_line(rows: list[list[str]]) -> None:
    head = [list(DAY_COLUMNS)]
    text = csv_of([*head, *rows])
    try:
        hours = DaysFile(text, ZONE).tell(now=NOW)
    except SourceError as error:
        in_words(error)
        return
    assert hours.hours
