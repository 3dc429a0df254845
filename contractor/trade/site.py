"""The ground and what it carries: floor level, load on a post, size of a footing."""

import math
from collections.abc import Sequence

# The floor stands this much above the highest ground; common practice, no source.
FLOOR_ABOVE_GROUND_IN = 1.0
# Least truss loads even for a hay barn: snow on the top chord, and the bottom chord's
# own load so that a ceiling can follow; common practice, no source. The local code
# and the truss engineer set the real loads, often higher.
LEAST_SNOW_PSF = 20.0
BOTTOM_CHORD_PSF = 5.0


def floor_level_ft(ground_shots_ft: Sequence[float]) -> float:
    """
    Return the floor level for ground levels shot around the building, in feet.

    About an inch above the highest, so that water runs away. Levels are
    heights, larger is higher. Raises ValueError when empty or not numbers.
    """
    if len(ground_shots_ft) == 0 or not all(math.isfinite(shot) for shot in ground_shots_ft):
        raise ValueError(
            f"ground_shots_ft {list(ground_shots_ft)}: enter at least one level in feet."
        )
    return max(ground_shots_ft) + FLOOR_ABOVE_GROUND_IN / 12


def post_load_lb(*, width_ft: float, bay_ft: float, load_psf: float) -> float:
    """
    Return the load on a sidewall post under one truss, in pounds.

    Half the span times the bay times snow and dead load. A rough check for
    reading drawings, never a design. Our own arithmetic.
    """
    return width_ft / 2 * bay_ft * load_psf


def footing_diameter_in(*, load_lb: float, soil_psf: float) -> float:
    """
    Return the diameter of a round footing that spreads a load on soil, in inches.

    A rough check for reading drawings; the engineer decides. Raises ValueError
    unless both are positive.
    """
    if not (load_lb > 0 and soil_psf > 0):
        raise ValueError(f"load_lb {load_lb}, soil_psf {soil_psf}: enter both above 0.")
    return math.sqrt(load_lb / soil_psf * 4 / math.pi) * 12
