"""
What weather stops which work.

The figures are starter values (common practice, no source) for planning only.
The machine's plate, the maker's manual, the truss bracing documents and the
judgment of the competent person on site come first.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from contractor.trade.labeled import Labeled


class WeatherGate(Labeled):
    """The kind of weather that a phase cannot stand."""

    NONE = ""
    GROUND = "GROUND"
    CONCRETE = "CONCRETE"
    TRUSS = "TRUSS"
    ROOF = "ROOF"
    WALL = "WALL"


@dataclass(frozen=True, slots=True)
class WeatherLimits:
    """Limits of one gate: wind in mph, rain of the day in inches, cold in °F; None is no limit."""

    caution_wind_mph: float | None = None
    stop_wind_mph: float | None = None
    stop_rain_in: float | None = None
    least_degf: float | None = None
    mud_days: int = 0


WEATHER_LIMITS: Mapping[WeatherGate, WeatherLimits] = MappingProxyType(
    {
        WeatherGate.NONE: WeatherLimits(),
        WeatherGate.GROUND: WeatherLimits(stop_rain_in=0.5, mud_days=1),
        # ACI 306R (from memory): below 40 °F concrete needs protection.
        WeatherGate.CONCRETE: WeatherLimits(stop_rain_in=0.25, least_degf=40.0),
        WeatherGate.TRUSS: WeatherLimits(
            caution_wind_mph=15.0, stop_wind_mph=20.0, stop_rain_in=0.25
        ),
        WeatherGate.ROOF: WeatherLimits(
            caution_wind_mph=12.0, stop_wind_mph=20.0, stop_rain_in=0.1
        ),
        WeatherGate.WALL: WeatherLimits(
            caution_wind_mph=20.0, stop_wind_mph=25.0, stop_rain_in=0.25
        ),
    }
)


def stopped_by(
    gate: str, *, wind_mph: float = 0.0, rain_in: float = 0.0, low_degf: float = 50.0
) -> tuple[str, ...]:
    """
    Return why a day's weather stops work behind a gate; empty when it may go on.

    ``gate`` is a WeatherGate value; another text raises ValueError.
    """
    limits = WEATHER_LIMITS[WeatherGate(gate)]
    reasons = []
    if limits.stop_wind_mph is not None and wind_mph >= limits.stop_wind_mph:
        reasons.append(f"wind {wind_mph:g} mph, limit {limits.stop_wind_mph:g}")
    if limits.stop_rain_in is not None and rain_in >= limits.stop_rain_in:
        reasons.append(f"rain {rain_in:g} in, limit {limits.stop_rain_in:g}")
    if limits.least_degf is not None and low_degf < limits.least_degf:
        reasons.append(f"cold {low_degf:g} °F, limit {limits.least_degf:g}")
    return tuple(reasons)
