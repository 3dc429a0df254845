"""Documents as the US National Weather Service's API writes them, for tests; written by hand."""

from datetime import datetime, timedelta
from typing import Any


def gridpoint(first: datetime, *, hours: int = 72, **layers: Any) -> dict[str, Any]:
    """Return raw gridpoint data: mild, calm and dry, but for the layers that are given."""
    told = {
        "temperature": layer("wmoUnit:degC", [(first, hours, 15.0)]),
        "relativeHumidity": layer("wmoUnit:percent", [(first, hours, 55)]),
        "windSpeed": layer("wmoUnit:km_h-1", [(first, hours, 8.0)]),
        "windGust": layer("wmoUnit:km_h-1", [(first, hours, 16.0)]),
        "quantitativePrecipitation": layer("wmoUnit:mm", [(first, hours, 0)]),
        "probabilityOfThunder": layer(None, [(first, hours, 5)]),
    }
    return {
        "type": "Feature",
        "properties": {
            "updateTime": first.isoformat(),
            "validTimes": f"{first.isoformat()}/PT{hours}H",
            **told,
            **layers,
        },
    }


def layer(unit: str | None, values: list[tuple[datetime, int, Any]]) -> dict[str, Any]:
    """Return a layer of gridpoint data from first hour, number of hours, and value."""
    head = {} if unit is None else {"uom": unit}
    return {
        **head,
        "values": [
            {"validTime": f"{first.isoformat()}/{_duration(hours)}", "value": value}
            for first, hours, value in values
        ],
    }


def hourly(first: datetime, *, hours: int = 48, **changes: Any) -> dict[str, Any]:
    """Return an hourly forecast whose periods are alike, but for the columns that are given."""
    periods = []
    for n in range(hours):
        starts = first + timedelta(hours=n)
        periods.append(
            {
                "number": n + 1,
                "startTime": starts.isoformat(),
                "endTime": (starts + timedelta(hours=1)).isoformat(),
                "temperature": 59,
                "temperatureUnit": "F",
                "relativeHumidity": {"unitCode": "wmoUnit:percent", "value": 55},
                "windSpeed": "5 to 10 mph",
                "shortForecast": "Mostly Sunny",
                **changes,
            }
        )
    return {"properties": {"updateTime": first.isoformat(), "periods": periods}}


def _duration(hours: int) -> str:
    days, rest = divmod(hours, 24)
    told = f"{days}D" if days else ""
    return f"P{told}T{rest}H" if rest else f"P{told}"
