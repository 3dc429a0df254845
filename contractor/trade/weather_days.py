"""A day's weather told in a few numbers, spread over its hours."""

import math
from dataclasses import dataclass

from contractor.trade.nws_forecast import ForecastError, checked
from contractor.trade.weather import HourOfWeather

# Coldest about sunrise and warmest in mid-afternoon; common practice, no source.
_COLDEST_HOUR, _WARMEST_HOUR = 6, 15
# Rain that is told for a day is taken to fall by day; common practice, no source.
_RAIN_HOURS = range(6, 18)


@dataclass(frozen=True, slots=True, kw_only=True)
class DaySummary:
    """A day as the office writes it: °F, mph, inches. Raises ForecastError for what cannot be."""

    low_degf: float
    high_degf: float
    wind_mph: float
    gust_mph: float | None = None
    rain_in: float = 0.0
    thunder: bool = False

    def __post_init__(self) -> None:
        checked("temp_degf", self.low_degf, "as the low")
        checked("temp_degf", self.high_degf, "as the high")
        checked("wind_mph", self.wind_mph, "as the wind")
        checked("rain_in", self.rain_in, "in a day")
        if self.high_degf < self.low_degf:
            raise ForecastError(
                f"high_degf {self.high_degf:g} is below the low of {self.low_degf:g}; swap them"
            )
        if self.gust_mph is not None:
            checked("gust_mph", self.gust_mph, "as the gusts")
            if self.gust_mph < self.wind_mph:
                raise ForecastError(
                    f"gust_mph {self.gust_mph:g} is below the wind of {self.wind_mph:g}; "
                    "gusts are the strongest, wind is the mean"
                )

    def hour(self, hour: int) -> HourOfWeather:
        """
        Return one hour of the day, 0 to 23.

        Wind and thunder hold for all of it, rain is spread evenly over the day, and the air swings
        between low and high along half cosines.
        """
        return HourOfWeather(
            temp_degf=self.low_degf + (self.high_degf - self.low_degf) * _warmth(hour),
            wind_mph=self.wind_mph,
            gust_mph=self.gust_mph,
            rain_in=self.rain_in / len(_RAIN_HOURS) if hour in _RAIN_HOURS else 0.0,
            thunder=self.thunder and hour in _RAIN_HOURS,
        )


def _warmth(hour: int) -> float:
    """Return how far an hour is from the day's low to its high, 0 to 1."""
    since = (hour - _COLDEST_HOUR) % 24
    rise = _WARMEST_HOUR - _COLDEST_HOUR
    if since <= rise:
        return (1 - math.cos(math.pi * since / rise)) / 2
    return (1 + math.cos(math.pi * (since - rise) / (24 - rise))) / 2
