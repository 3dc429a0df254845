"""The hourly temperatures concrete is expected to have: by forecast, else by climate."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from contractor.trade.cure import expected_temps_degc
from contractor.trade.cure_temps import first_known, forecast_degc
from contractor.trade.ground import FOOTING_DEPTH_FT, ground_temps_degc
from contractor.trade.units import degf_to_degc

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from crews.models import Firm
    from jobs.models import Job

# Where the ground under a slab is looked at for frost; common practice, no source.
SUBGRADE_DEPTH_FT = 0.5


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


def firm_climate(firm: Firm) -> Climate:
    """Return the climate that is entered for the firm."""
    means = tuple(float(part) for part in firm.month_temperatures_degf.split())
    return Climate(means, firm.daily_swing_degf)


class Climates:
    """The climate of each job's site: its area's, or the firm's."""

    def __init__(self, firm: Firm) -> None:
        self._firm = firm_climate(firm)

    def of(self, job: Job) -> Climate:
        """Return the climate of a job's site."""
        return self._firm


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
        first_hour=first_hour.astimezone(zone).replace(tzinfo=None),
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
        first_hour=first_hour.astimezone(zone).replace(tzinfo=None),
        hours=hours,
    )
