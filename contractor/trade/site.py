"""The ground and what it carries: grade shots, floor level, load on a post, size of a footing."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from contractor.trade.labeled import Labeled
from contractor.trade.units import CUBIC_FEET_PER_YARD, INCHES_PER_FOOT

# The floor stands this much above the highest ground; common practice, no source.
FLOOR_ABOVE_GROUND_IN = 1.0
# Gravel under a slab, or the gravel floor itself; common practice, no source.
BASE_IN = 4.0
# A builder's rod is 25 ft at most, and a benchmark is rarely called more than 10,000 ft high:
# what lies outside was typed wrong.
LONGEST_ROD_FT = 25.0
HIGHEST_FT = 10_000.0
# More between two shots of one building is no building site but a slip of the hand.
MOST_FALL_FT = 20.0


class ShotPlace(Labeled):
    """Where on the building's outline a grade shot was taken, seen from its front."""

    FRONT_LEFT = "FRONT_LEFT"
    FRONT_RIGHT = "FRONT_RIGHT"
    BACK_RIGHT = "BACK_RIGHT"
    BACK_LEFT = "BACK_LEFT"
    CENTER = "CENTER"


CORNERS = (
    ShotPlace.FRONT_LEFT,
    ShotPlace.FRONT_RIGHT,
    ShotPlace.BACK_RIGHT,
    ShotPlace.BACK_LEFT,
)


class ShotKind(Labeled):
    """How a shot is read: on the rod a larger number is lower ground, as a height higher."""

    ROD = "ROD"
    HEIGHT = "HEIGHT"


@dataclass(frozen=True, slots=True)
class Corner:
    """
    One corner: its height over the lowest shot, and what it needs, in feet.

    `cut_ft` and `fill_ft` are to the grade under slab and gravel; one of them is 0. `post_ft` is
    the post from the bottom of its hole, dug as deep as drawn below the ground as it is.
    """

    place: ShotPlace
    height_ft: float
    cut_ft: float
    fill_ft: float
    post_ft: float


@dataclass(frozen=True, slots=True)
class SiteGrade:
    """What the shots of a site say; heights are over the lowest shot, volumes rough."""

    fall_in: float
    high_point: ShotPlace
    floor_ft: float
    corners: tuple[Corner, ...]
    cut_cy: float
    fill_cy: float

    @property
    def text(self) -> str:
        """Return the fall and the high point in words."""
        return f"the ground falls {self.fall_in:.0f} in from {self.high_point.label.lower()}"


def site_grade(
    readings_ft: Mapping[ShotPlace, float],
    *,
    kind: ShotKind,
    width_ft: float,
    length_ft: float,
    post_length_ft: float,
    slab_in: float,
) -> SiteGrade:
    """
    Return what one set of shots says of a site.

    `readings_ft` holds the four corners, and the center where it was shot; `post_length_ft` is the
    post of level ground. Grade is the floor level less slab and gravel. Volumes are the mean depth
    of the shots times the area: with a center, of the four triangles between it and the corners
    (the grid method of surveying, from memory). Our own arithmetic beyond that.
    Raises ValueError for a missing corner, a reading that no rod shows, or more than 20 ft of fall.
    """
    missing = [place.label.lower() for place in CORNERS if place not in readings_ft]
    if missing:
        raise ValueError(f"shots: {', '.join(missing)} not shot yet. Shoot all four corners.")
    sign = -1.0 if kind is ShotKind.ROD else 1.0
    least, most = (0.0, LONGEST_ROD_FT) if kind is ShotKind.ROD else (-HIGHEST_FT, HIGHEST_FT)
    for place, reading in readings_ft.items():
        if not least <= reading <= most:
            raise ValueError(
                f"reading_ft {reading:g} at {place.label.lower()}: a {kind.label.lower()} reading "
                f"lies between {least:g} and {most:g} ft. Read it again."
            )
    lowest = min(sign * reading for reading in readings_ft.values())
    heights = {place: sign * reading - lowest for place, reading in readings_ft.items()}
    fall_ft = max(heights.values())
    if fall_ft > MOST_FALL_FT:
        raise ValueError(
            f"fall {fall_ft:.1f} ft: more than {MOST_FALL_FT:g} ft across one building. "
            "Check the readings, and that all are of one kind and one set-up."
        )
    floor_ft = floor_level_ft(list(heights.values()))
    grade_ft = floor_ft - (slab_in + BASE_IN) / INCHES_PER_FOOT
    area_sf = width_ft * length_ft
    depths = {place: grade_ft - height for place, height in heights.items()}
    return SiteGrade(
        fall_in=fall_ft * INCHES_PER_FOOT,
        high_point=max(heights, key=lambda place: heights[place]),
        floor_ft=floor_ft,
        corners=tuple(
            Corner(
                place,
                heights[place],
                cut_ft=max(0.0, -depths[place]),
                fill_ft=max(0.0, depths[place]),
                post_ft=post_length_ft + floor_ft - heights[place],
            )
            for place in CORNERS
        ),
        cut_cy=_mean({p: max(0.0, -d) for p, d in depths.items()}) * area_sf / CUBIC_FEET_PER_YARD,
        fill_cy=_mean({p: max(0.0, d) for p, d in depths.items()}) * area_sf / CUBIC_FEET_PER_YARD,
    )


def _mean(depths_ft: Mapping[ShotPlace, float]) -> float:
    """Return the mean depth over the outline, a center counting as the tip of four triangles."""
    corners = sum(depths_ft[place] for place in CORNERS) / len(CORNERS)
    if ShotPlace.CENTER not in depths_ft:
        return corners
    return corners * 2 / 3 + depths_ft[ShotPlace.CENTER] / 3


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
