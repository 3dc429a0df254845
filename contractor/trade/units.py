"""Small arithmetic of the trade: slopes, feet and inches, spacings, volumes."""

import math
from datetime import datetime, timedelta
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Temps = TypeVar("Temps", float, NDArray[np.float64])
INCHES_PER_FOOT = 12
CUBIC_FEET_PER_YARD = 27
DAYS_PER_YEAR = 365.25

_A_NEW_YEAR = datetime(2022, 1, 1)  # noqa: DTZ001 - site time has no zone in this room

# Keeps 8.4 / 2.8 at three spaces although the quotient is a hair above 3.
_SPACING_TOLERANCE = 1e-9


def slope_factor(pitch_in_12: float) -> float:
    """
    Return the length of a roof slope per foot of level run.

    ``pitch_in_12`` is the rise in inches per 12 inches of run; 0 is flat.
    Raises ValueError below 0. Source: Pythagoras, sqrt(rise² + 12²) / 12.
    """
    if not pitch_in_12 >= 0:
        raise ValueError(f"pitch_in_12 {pitch_in_12}: a pitch is 0 or more. Enter a rise per 12.")
    return math.hypot(pitch_in_12, 12) / 12


def spaces(run_ft: float, spacing_ft: float) -> int:
    """
    Return how many equal spaces no longer than ``spacing_ft`` fill ``run_ft``.

    Rounded up, so a 60 ft wall with 8 ft bays has 8 of 7.5 ft, never 7 of 8.57 ft.
    Raises ValueError unless both are positive.
    """
    if not (run_ft > 0 and spacing_ft > 0):
        raise ValueError(
            f"run_ft {run_ft} and spacing_ft {spacing_ft}: both must be above 0. "
            "Enter the length of the run and the largest spacing allowed."
        )
    return max(1, math.ceil(run_ft / spacing_ft - _SPACING_TOLERANCE))


def cylinder_cy(*, diameter_in: float, height_in: float) -> float:
    """Return the volume of a round hole or pad in cubic yards, from inches."""
    radius_ft = diameter_in / 2 / INCHES_PER_FOOT
    return math.pi * radius_ft**2 * height_in / INCHES_PER_FOOT / CUBIC_FEET_PER_YARD


def slab_cy(*, area_sf: float, thickness_in: float) -> float:
    """Return the volume of a flat slab in cubic yards, without waste."""
    return area_sf * thickness_in / INCHES_PER_FOOT / CUBIC_FEET_PER_YARD


def degf_to_degc(degf: Temps) -> Temps:
    """Return degrees Celsius from degrees Fahrenheit, for one or an array of them."""
    return (degf - 32) * 5 / 9


def degc_to_degf(degc: Temps) -> Temps:
    """Return degrees Fahrenheit from degrees Celsius, for one or an array of them."""
    return degc * 9 / 5 + 32


def days_into_year(moment: datetime) -> float:
    """
    Return the days from New Year in mean years of 365.25 days, which run on without a jump.

    ``moment`` is naive site time; a year's first day lies within half a day of 0.
    """
    return (moment - _A_NEW_YEAR) / timedelta(days=1) % DAYS_PER_YEAR


def feet_inches(length_ft: float, *, eighths: bool = True) -> str:
    """
    Return a length as a tape reads it, such as 16' 10-1/2".

    Rounded to the nearest eighth of an inch, or to whole inches without ``eighths``.
    """
    parts_per_inch = 8 if eighths else 1
    total = round(abs(length_ft) * INCHES_PER_FOOT * parts_per_inch)
    feet, rest = divmod(total, INCHES_PER_FOOT * parts_per_inch)
    inches, fraction = divmod(rest, parts_per_inch)
    text = f"{feet}' {inches}"
    if fraction:
        shared = math.gcd(fraction, parts_per_inch)
        text += f"-{fraction // shared}/{parts_per_inch // shared}"
    sign = "-" if length_ft < 0 and total else ""
    return f'{sign}{text}"'


def number_text(value: float, *, places: int = 2) -> str:
    """Return a number for people: thousands grouped, no trailing zeros."""
    text = f"{value:,.{places}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
