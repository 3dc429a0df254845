"""The hourly temperatures concrete is expected to have: by forecast, else by climate."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from contractor.trade.cure import expected_temps_degc
from contractor.trade.cure_temps import first_known, forecast_degc
from contractor.trade.ground import FOOTING_DEPTH_FT, ground_temps_degc
from contractor.trade.units import degf_to_degc
from crews.selectors import firm
from inspections.selectors.weather import weather_at

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from crews.models import Firm
    from inspections.selectors.weather import AreaWeather, Weather
    from jobs.models import Job

# Where the ground under a slab is looked at for frost; common practice, no source.
SUBGRADE_DEPTH_FT = 0.5
HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True, eq=False)
class KnownAir:
    """Air temperatures known ahead, such as a forecast's: one for each hour from a moment on."""

    first_hour: datetime
    degf: Sequence[float | None]


@dataclass(frozen=True, slots=True)
class Climate:
    """An area's temperatures: the air's twelve monthly means, its daily swing, what is known."""

    month_means_degf: tuple[float, ...]
    daily_swing_degf: float
    known: KnownAir | None = None


def firm_climate(owner: Firm) -> Climate:
    """Return the climate that is entered for the firm."""
    return Climate(_numbers(owner.month_temperatures_degf), owner.daily_swing_degf)


def _numbers(text: str) -> tuple[float, ...]:
    return tuple(float(part) for part in text.split())


class Climates:
    """The climate of each job's site: its weather area's, the firm's where that tells none."""

    def __init__(self, owner: Firm, weather: Weather) -> None:
        self._firm = firm_climate(owner)
        self._weather = weather
        self._of_area: dict[int, Climate] = {}

    def of(self, job: Job) -> Climate:
        """Return the climate of a job's site."""
        area = self._weather.area_of(job)
        if area is None:
            return self._firm
        key = area.area.pk
        if key not in self._of_area:
            means = area.area.month_temperatures_degf
            self._of_area[key] = replace(
                self._firm,
                month_means_degf=_numbers(means) if means else self._firm.month_means_degf,
                known=known_air(area),
            )
        return self._of_area[key]


def climates_at(now: datetime) -> Climates:
    """Return the climates with the weather that is known around a moment. Raises NoFirm."""
    return Climates(firm(), weather_at(now))


def known_air(area: AreaWeather) -> KnownAir | None:
    """Return the temperatures of an area's hours, gaps in between as None; None for none."""
    degf = {at: hour.temp_degf for at, hour in area.hours() if hour.temp_degf is not None}
    if not degf:
        return None
    first, last = min(degf), max(degf)
    count = (last - first) // HOUR + 1
    return KnownAir(first, [degf.get(first + number * HOUR) for number in range(count)])


def air_degc(
    climate: Climate, *, zone: ZoneInfo, first_hour: datetime, hours: int
) -> NDArray[np.float64]:
    """
    Return the air's temperature for each hour from a moment on, shape (hours,).

    As known where it is known, else as expected by month and hour of day.
    """
    expected = expected_temps_degc(
        monthly_mean_degf=climate.month_means_degf,
        daily_swing_degf=climate.daily_swing_degf,
        first_hour=_standard_time(first_hour, zone),
        hours=hours,
    )
    known = climate.known
    if known is None:
        return expected
    degc = [math.nan if degf is None else degf_to_degc(degf) for degf in known.degf]
    begins_after_hours = (known.first_hour - first_hour).total_seconds() / 3600
    told = forecast_degc(degc, begins_after_hours=begins_after_hours, hours=hours)
    return first_known(told, expected)


def ground_degc(
    climate: Climate,
    *,
    zone: ZoneInfo,
    first_hour: datetime,
    hours: int,
    depth_ft: float = FOOTING_DEPTH_FT,
) -> NDArray[np.float64]:
    """Return the ground's expected temperature for each hour from a moment on, shape (hours,)."""
    return ground_temps_degc(
        monthly_mean_degf=climate.month_means_degf,
        depth_ft=depth_ft,
        first_hour=_standard_time(first_hour, zone),
        hours=hours,
    )


def _standard_time(moment: datetime, zone: ZoneInfo) -> datetime:
    """Return the naive site time without daylight saving: the sun does not change its clock."""
    local = moment.astimezone(zone)
    return local.replace(tzinfo=None) - (local.dst() or timedelta())
