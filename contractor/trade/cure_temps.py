"""
Which temperature counts for concrete in each hour: measured, else forecast, else expected.

All series are hourly means in °C from one moment on, shape (hours,), NaN where nothing is known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# A reading stands for what follows it for so long; common practice, no source.
CARRIED_HOURS = 6.0
# Two readings farther apart say nothing of a night between them; common practice, no source.
BRIDGED_HOURS = 24.0


@dataclass(frozen=True, slots=True)
class TempReading:
    """A temperature that was read, so many hours after the first moment of a series."""

    after_hours: float
    degc: float


def measured_degc(readings: Sequence[TempReading], *, hours: int) -> NDArray[np.float64]:
    """
    Return what was measured, in the middle of each hour.

    Between two readings up to ``BRIDGED_HOURS`` apart lies a straight line; after any other
    reading its value is carried for ``CARRIED_HOURS``. Before the first nothing is known.
    Raises ValueError for hours below 0 or a reading that is not a number.
    """
    if hours < 0:
        raise ValueError(f"hours {hours}: enter 0 or more.")
    known = np.full(hours, math.nan)
    in_order = sorted(readings, key=lambda reading: reading.after_hours)
    times = np.array([reading.after_hours for reading in in_order], dtype=np.float64)
    degc = np.array([reading.degc for reading in in_order], dtype=np.float64)
    if not (np.isfinite(times).all() and np.isfinite(degc).all()):
        raise ValueError("readings: enter a moment and a temperature in °C for each.")
    if times.size == 0:
        return known
    middle = np.arange(hours) + 0.5
    before = np.searchsorted(times, middle, side="right") - 1
    last = np.clip(before, 0, None)
    following = np.minimum(last + 1, times.size - 1)
    has_next = (before >= 0) & (before < times.size - 1)
    is_bridged = has_next & (times[following] - times[last] <= BRIDGED_HOURS)
    is_carried = (before >= 0) & (middle - times[last] <= CARRIED_HOURS)
    known[is_carried] = degc[last[is_carried]]
    known[is_bridged] = np.interp(middle[is_bridged], times, degc)
    return known


def forecast_degc(
    degc: Sequence[float], *, begins_after_hours: float, hours: int
) -> NDArray[np.float64]:
    """
    Return hourly forecasts on a series that begins another time, at the middle of its hours.

    ``begins_after_hours`` is from the series' first moment to the first forecast's, below 0
    where the forecast began before it. A forecast of NaN stays unknown.
    """
    given = np.asarray(degc, dtype=np.float64)
    index = np.floor(np.arange(hours) + 0.5 - begins_after_hours).astype(np.int64)
    known = np.full(hours, math.nan)
    within = (index >= 0) & (index < given.size)
    known[within] = given[index[within]]
    return known


def first_known(*series: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return for each hour the first of the series that knows it."""
    found = series[0]
    for other in series[1:]:
        found = np.where(np.isnan(found), other, found)
    return np.asarray(found, dtype=np.float64)
