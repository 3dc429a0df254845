"""
How long concrete must wait, from the temperature it has, not from a day count.

Strength against age: ACI 209R-92 (from memory). Age against temperature: the
maturity methods of ASTM C1074 (from memory). Estimates for planning only; the
engineer's drawings, field-cured cylinders and the authority come first.
"""

import math
from collections.abc import Sequence
from datetime import datetime
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from contractor.trade.units import DAYS_PER_YEAR, days_into_year, degf_to_degc

GAS_CONSTANT_J_PER_MOL_K = 8.314
# Type I cement without admixture: ASTM C1074 appendix (from memory).
ACTIVATION_ENERGY_J_PER_MOL = 41_500.0
REFERENCE_DEGC = 20.0
DATUM_DEGC = 0.0
# 50 °F: a slab is protected in the cold until it carries its load, ACI 306R (from memory).
PROTECTED_DEGC = 10.0
KELVIN = 273.15
_WARMEST_HOUR = 15.0
_MID_MONTH_DAYS = np.array([15.5, 45, 74.5, 105, 135.5, 166, 196.5, 227.5, 258, 288.5, 319, 349.5])
# Keeps a target met exactly on the hour from slipping to the next by rounding.
_HOURS_TOLERANCE = 1e-6


class _Strength(NamedTuple):
    a: float
    b: float


# f(t) / f28 = t / (a + b t), t in days at 20 °C: ACI 209R-92 section 2.2 (from memory).
_ACI_209: MappingProxyType[tuple[str, str], _Strength] = MappingProxyType(
    {
        ("I", "moist"): _Strength(4.0, 0.85),
        ("III", "moist"): _Strength(2.3, 0.92),
        ("I", "steam"): _Strength(1.0, 0.95),
        ("III", "steam"): _Strength(0.70, 0.98),
    }
)


def strength_share(*, age_days_at_20c: float, cement: str, curing: str = "moist") -> float:
    """
    Return the share of 28-day strength at an age, 0 at placing, about 1 at 28 days.

    ``cement`` is "I" or "III", ``curing`` "moist" or "steam". Raises
    ValueError for another cement or a negative age. Source: ACI 209R-92
    section 2.2 (from memory).
    """
    curve = _curve(cement, curing)
    if not 0 <= age_days_at_20c < math.inf:
        raise ValueError(f"age_days_at_20c {age_days_at_20c}: enter an age of 0 days or more.")
    return age_days_at_20c / (curve.a + curve.b * age_days_at_20c)


def age_hours_for_share(*, share: float, cement: str, curing: str = "moist") -> float:
    """
    Return the hours at 20 °C after which concrete has a share of its 28-day strength.

    The inverse of ``strength_share``. Raises ValueError unless ``share`` is
    above 0 and at most 1.
    """
    curve = _curve(cement, curing)
    if not 0 < share <= 1:
        raise ValueError(
            f"share {share}: a share of 28-day strength is above 0 and at most 1. "
            "Enter 0.5 for one half."
        )
    return 24 * curve.a * share / (1 - curve.b * share)


def maturity_degc_hours(
    *,
    temps_degc: Sequence[float] | NDArray[np.float64],
    step_hours: float,
    datum_degc: float = DATUM_DEGC,
) -> float:
    """
    Return the temperature-time factor in °C·h.

    A step colder than the datum adds nothing and takes nothing away. Raises
    ValueError for a step not above 0 or a temperature that is not a number.
    Source: the Nurse-Saul sum of ASTM C1074 (from memory), M = Σ (T − T0) Δt.
    """
    temps = _checked(temps_degc, step_hours)
    return float(np.maximum(temps - datum_degc, 0.0).sum() * step_hours)


class CureClock:
    """
    When concrete is ready, over one long run of hourly temperatures.

    Built once from hourly means in °C; each question then costs one binary
    search. Hour 0 is the start of the first temperature. Hours below freezing
    count nothing: a caution of ours beyond the formula. Raises ValueError for a
    temperature that is not a number. Source: equivalent age, ASTM C1074 (from memory).
    """

    __slots__ = ("_age_hours",)

    def __init__(self, temps_degc: NDArray[np.float64] | Sequence[float]) -> None:
        temps = _checked(temps_degc, 1.0)
        hourly = np.where(temps < 0, 0.0, _rate_factors(temps))
        self._age_hours = np.concatenate(([0.0], np.cumsum(hourly)))

    @property
    def hours(self) -> int:
        """Return how many hours of temperature the clock knows."""
        return len(self._age_hours) - 1

    def age_hours(self, hour: float) -> float:
        """Return the equivalent age at 20 °C gathered from hour 0 to an hour."""
        whole = min(int(hour), self.hours)
        start = float(self._age_hours[whole])
        if whole == self.hours:
            return start
        return start + (hour - whole) * (float(self._age_hours[whole + 1]) - start)

    def share(
        self, hour: float, cement: str, *, curing: str = "moist", pour_hour: float = 0.0
    ) -> float:
        """Return the share of 28-day strength at an hour; 0 before the pour."""
        age_days = max(0.0, self.age_hours(hour) - self.age_hours(pour_hour)) / 24
        return strength_share(age_days_at_20c=age_days, cement=cement, curing=curing)

    def ready_hour(
        self,
        pour_hour: float,
        share: float,
        cement: str,
        minimum_hours: float = 0.0,
        *,
        curing: str = "moist",
    ) -> float | None:
        """
        Return the first whole hour with the share of strength, never before the minimum.

        Hours are counted as in the temperatures. None when the share is not
        reached within them. Raises ValueError for a pour outside them, a share
        that is not above 0 and at most 1, and an unknown cement or curing.
        """
        if not 0 <= pour_hour <= self.hours:
            raise ValueError(
                f"pour_hour {pour_hour}: temperatures are known for hours 0 to {self.hours}. "
                "Enter an hour within them."
            )
        ages = np.array([self.age_hours(pour_hour)])
        ready = float(self._ready(ages, share, cement, curing)[0])
        least = pour_hour + _checked_minimum(minimum_hours)
        return None if math.isinf(ready) else max(ready, least)

    def ready_hours(
        self, share: float, cement: str, minimum_hours: float = 0.0
    ) -> NDArray[np.float64]:
        """
        Return ``ready_hour`` for a pour at every whole hour, shape (hours + 1,).

        Infinite where the share is not reached within the temperatures.
        """
        ready = self._ready(self._age_hours, share, cement)
        least = np.arange(self.hours + 1) + _checked_minimum(minimum_hours)
        return np.asarray(np.maximum(ready, least), dtype=np.float64)

    def _ready(
        self, ages_at_pour: NDArray[np.float64], share: float, cement: str, curing: str = "moist"
    ) -> NDArray[np.float64]:
        needed = age_hours_for_share(share=share, cement=cement, curing=curing) - _HOURS_TOLERANCE
        ready = np.searchsorted(self._age_hours, ages_at_pour + needed, side="left")
        return np.where(ready > self.hours, np.inf, ready)


def expected_temps_degc(
    *,
    monthly_mean_degf: Sequence[float],
    daily_swing_degf: float,
    first_hour: datetime,
    hours: int,
) -> NDArray[np.float64]:
    """
    Return expected air temperature for each hour from a site-local start, shape (hours,).

    Monthly means (January first) stand at mid-month and are joined by straight
    lines; the day is a cosine, warmest at 3 pm, ``daily_swing_degf`` from
    lowest to highest. ``first_hour`` is naive site time; clock changes are ignored.
    Our own arithmetic. Raises ValueError unless there are 12 means and the swing
    and hours are 0 or more.
    """
    means = np.asarray(monthly_mean_degf, dtype=np.float64)
    if means.shape != (12,) or not np.isfinite(means).all():
        raise ValueError(
            f"monthly_mean_degf {list(monthly_mean_degf)}: enter 12 numbers, January first."
        )
    if not 0 <= daily_swing_degf < math.inf or hours < 0:
        raise ValueError(
            f"daily_swing_degf {daily_swing_degf}, hours {hours}: enter 0 or more for both."
        )
    hour = np.arange(hours) + 0.5
    year_day = days_into_year(first_hour) + hour / 24
    daily = np.interp(year_day, _MID_MONTH_DAYS, means, period=DAYS_PER_YEAR)
    hour += first_hour.hour + first_hour.minute / 60
    phase = 2 * np.pi * ((hour % 24) - _WARMEST_HOUR) / 24
    degf = daily + daily_swing_degf / 2 * np.cos(phase)
    return np.asarray(degf_to_degc(degf), dtype=np.float64)


def _checked_minimum(minimum_hours: float) -> float:
    if not 0 <= minimum_hours < math.inf:
        raise ValueError(f"minimum_hours {minimum_hours}: enter 0 or more.")
    return minimum_hours


def _curve(cement: str, curing: str) -> _Strength:
    if (cement, curing) not in _ACI_209:
        raise ValueError(
            f"cement {cement}, curing {curing}: no such curve. "
            "Enter cement I or III, and curing moist or steam."
        )
    return _ACI_209[(cement, curing)]


def _rate_factors(temps_degc: NDArray[np.float64]) -> NDArray[np.float64]:
    gap = 1 / (temps_degc + KELVIN) - 1 / (REFERENCE_DEGC + KELVIN)
    return np.exp(-ACTIVATION_ENERGY_J_PER_MOL / GAS_CONSTANT_J_PER_MOL_K * gap)


def _checked(
    temps_degc: NDArray[np.float64] | Sequence[float], step_hours: float
) -> NDArray[np.float64]:
    temps = np.asarray(temps_degc, dtype=np.float64)
    if temps.ndim != 1 or not np.isfinite(temps).all() or (temps <= -KELVIN).any():
        raise ValueError(
            "temps_degc: enter a plain list of temperatures in °C, all of them numbers."
        )
    if not 0 < step_hours < math.inf:
        raise ValueError(f"step_hours {step_hours}: enter the hours between readings, above 0.")
    return temps
