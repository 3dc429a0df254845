"""
How warm the ground is, where footings and collars cure.

The yearly wave of air temperature sinks into the soil damped and late. Source:
heat conduction in a half-space as Kusuda and Achenbach (1965) apply it to the
earth (from memory). The daily wave does not reach a footing.
"""

import math
from collections.abc import Sequence
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from contractor.trade.units import DAYS_PER_YEAR, days_into_year, degf_to_degc

# Moist mineral soil: about 0.05 m2 a day (from memory).
DIFFUSIVITY_SF_PER_DAY = 0.05 * 10.764
# The middle of a collar or pad in a hole of usual depth; common practice, no source.
FOOTING_DEPTH_FT = 3.0
_MID_MONTH_DAYS = (np.arange(12) + 0.5) * DAYS_PER_YEAR / 12


def ground_temps_degc(
    *, monthly_mean_degf: Sequence[float], depth_ft: float, first_hour: datetime, hours: int
) -> NDArray[np.float64]:
    """
    Return the expected ground temperature for each hour from a site-local start, shape (hours,).

    ``monthly_mean_degf`` are the air's twelve means, January first; their yearly wave is damped
    by exp(-depth / d) and comes later by depth / d in phase, d = sqrt(2 a / w) with the
    diffusivity a and a wave a year. ``first_hour`` is naive site time. Raises ValueError unless
    there are 12 means and the depth and hours are 0 or more.
    """
    means = np.asarray(monthly_mean_degf, dtype=np.float64)
    if means.shape != (12,) or not np.isfinite(means).all():
        raise ValueError(
            f"monthly_mean_degf {list(monthly_mean_degf)}: enter 12 numbers, January first."
        )
    if not 0 <= depth_ft < math.inf or hours < 0:
        raise ValueError(f"depth_ft {depth_ft}, hours {hours}: enter 0 or more for both.")
    wave = 2 * math.pi / DAYS_PER_YEAR
    mid_month = wave * _MID_MONTH_DAYS
    cosine, sine = (means * np.cos(mid_month)).mean() * 2, (means * np.sin(mid_month)).mean() * 2
    sunk = depth_ft / math.sqrt(2 * DIFFUSIVITY_SF_PER_DAY / wave)
    year_day = days_into_year(first_hour) + (np.arange(hours) + 0.5) / 24
    phase = wave * year_day - sunk
    degf = means.mean() + math.exp(-sunk) * (cosine * np.cos(phase) + sine * np.sin(phase))
    return np.asarray(degf_to_degc(degf), dtype=np.float64)
