"""
Where the drawings put what has a size but no place yet.

An order says how many doors, windows and lean-tos there are, not where they stand. The rule here
is our own and for drawing only: big doors go to the first gable end while there is room, walk
doors to the front side, windows to the back side; lean-tos first to the back, then to the front.
"""

from dataclasses import dataclass
from enum import StrEnum

from contractor.trade.building import Building, LeanTo, Opening, OpeningKind
from contractor.trade.units import spaces

CLEAR_FT = 1.0  # wall kept beside each opening


class Wall(StrEnum):
    """The four walls: as the plan lies, left, right, bottom and top."""

    FIRST_GABLE = "first gable end"
    SECOND_GABLE = "second gable end"
    FRONT = "front side"
    BACK = "back side"


BIG_DOORS = (Wall.FIRST_GABLE, Wall.FRONT, Wall.SECOND_GABLE, Wall.BACK)
WALK_DOORS = (Wall.FRONT, Wall.FIRST_GABLE, Wall.BACK, Wall.SECOND_GABLE)
WINDOWS = (Wall.BACK, Wall.FRONT, Wall.SECOND_GABLE, Wall.FIRST_GABLE)
WALLS_BY_KIND = {
    OpeningKind.OVERHEAD_DOOR: BIG_DOORS,
    OpeningKind.SLIDING_DOOR: BIG_DOORS,
    OpeningKind.WALK_DOOR: WALK_DOORS,
    OpeningKind.WINDOW: WINDOWS,
}


@dataclass(frozen=True, slots=True)
class PlacedOpening:
    """One door or window, its middle measured along its wall from the left or the front."""

    opening: Opening
    wall: Wall
    middle_ft: float


@dataclass(frozen=True, slots=True)
class PlacedLeanTo:
    """One lean-to on the front or back side, from its start along the length."""

    lean_to: LeanTo
    wall: Wall
    start_ft: float


@dataclass(frozen=True, slots=True)
class Placement:
    """Everything placed, and what found no room."""

    openings: tuple[PlacedOpening, ...]
    lean_tos: tuple[PlacedLeanTo, ...]
    left_out: tuple[str, ...]

    def on(self, wall: Wall) -> tuple[PlacedOpening, ...]:
        """Return the openings of one wall, in order along it."""
        return tuple(placed for placed in self.openings if placed.wall is wall)

    def is_open(self, wall: Wall, at_ft: float) -> bool:
        """Return whether an opening takes this place of a wall, its jambs not counted."""
        return any(
            abs(placed.middle_ft - at_ft) < placed.opening.width_ft / 2 - 0.5
            for placed in self.on(wall)
        )

    def beside(self, wall: Wall) -> tuple[PlacedLeanTo, ...]:
        """Return the lean-tos along one side."""
        return tuple(placed for placed in self.lean_tos if placed.wall is wall)


def place(building: Building) -> Placement:
    """Return places for the building's openings and lean-tos, the same ones every time."""
    walls = {
        Wall.FIRST_GABLE: building.width_ft,
        Wall.FRONT: building.length_ft,
        Wall.BACK: building.length_ft,
    }
    if not building.extends_existing:
        walls[Wall.SECOND_GABLE] = building.width_ft
    chosen: dict[Wall, list[Opening]] = {wall: [] for wall in walls}
    left_out = []
    for opening in _widest_first(building.openings):
        wall = _first_with_room(opening, chosen, walls)
        if wall is None:
            left_out.append(f"{opening.kind.label} {opening.width_ft:g}×{opening.height_ft:g}")
        else:
            chosen[wall].append(opening)
    openings = [
        placed for wall, on_it in chosen.items() for placed in _spread(on_it, wall, walls[wall])
    ]
    lean_tos, too_many = _place_lean_tos(building)
    return Placement(tuple(openings), lean_tos, (*left_out, *too_many))


def side_posts_ft(building: Building) -> tuple[float, ...]:
    """
    Return the posts of one long side that are set, in ft along the length, corners included.

    An addition sets none where it meets the old building: its corner posts stand already.
    """
    posts = evenly(building.length_ft, building.bays)
    return posts[:-1] if building.extends_existing else posts


def end_posts_ft(building: Building) -> tuple[float, ...]:
    """Return the posts of one gable end, in ft along the width, corners included."""
    return evenly(building.width_ft, building.end_spaces)


def trusses_ft(building: Building) -> tuple[float, ...]:
    """Return the truss lines, in ft along the length, both gable trusses included."""
    return evenly(building.length_ft, spaces(building.length_ft, building.truss_spacing_ft))


def evenly(length_ft: float, parts: int) -> tuple[float, ...]:
    """Return the ends of equal parts of a length, both outer ends included."""
    return tuple(length_ft * number / parts for number in range(parts + 1))


def _widest_first(openings: tuple[Opening, ...]) -> list[Opening]:
    single = [opening for opening in openings for _ in range(opening.count)]
    return sorted(single, key=lambda opening: -opening.width_ft)


def _first_with_room(
    opening: Opening, chosen: dict[Wall, list[Opening]], walls: dict[Wall, float]
) -> Wall | None:
    for wall in WALLS_BY_KIND[opening.kind]:
        if wall not in walls:
            continue
        taken_ft = sum(other.width_ft + 2 * CLEAR_FT for other in chosen[wall])
        if taken_ft + opening.width_ft + 2 * CLEAR_FT <= walls[wall]:
            return wall
    return None


def _spread(openings: list[Opening], wall: Wall, wall_ft: float) -> list[PlacedOpening]:
    """Return the openings along their wall with equal stretches of wall between them."""
    gap_ft = (wall_ft - sum(opening.width_ft for opening in openings)) / (len(openings) + 1)
    placed, at_ft = [], 0.0
    for opening in openings:
        at_ft += gap_ft + opening.width_ft
        placed.append(PlacedOpening(opening, wall, at_ft - opening.width_ft / 2))
    return placed


def _place_lean_tos(
    building: Building,
) -> tuple[tuple[PlacedLeanTo, ...], tuple[str, ...]]:
    used_ft = {Wall.BACK: 0.0, Wall.FRONT: 0.0}
    placed, left_out = [], []
    for lean_to in building.lean_tos:
        wall = min(used_ft, key=lambda side: used_ft[side])
        if used_ft[wall] + lean_to.length_ft > building.length_ft + 1e-9:
            left_out.append(f"Lean-to {lean_to.width_ft:g}×{lean_to.length_ft:g}")
            continue
        placed.append(PlacedLeanTo(lean_to, wall, used_ft[wall]))
        used_ft[wall] += lean_to.length_ft
    return tuple(placed), tuple(left_out)
