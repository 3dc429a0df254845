"""The plan: the building from above, its length across the sheet."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

from contractor.trade.building import Building, Foundation, OpeningKind
from contractor.trade.units import spaces
from jobs.drawing import placement
from jobs.drawing.placement import PlacedLeanTo, PlacedOpening, Placement, Wall
from jobs.drawing.sheet import (
    DASHED,
    DIMENSION,
    DOTTED,
    GROUND,
    INK,
    PAPER,
    SMALL_TEXT_SIZE,
    TIMBER,
    WALL,
    Point,
    Sheet,
    feet,
)

SHEET_WIDTH = 480.0
LEFT, RIGHT, TOP, BOTTOM = 62.0, 34.0, 44.0, 92.0
LARGEST_SCALE = 11.0  # sheet units per ft, so that a small building is not drawn huge
TALLEST = 420.0
EXISTING_FT = 10.0  # how much of the old building an addition shows


@dataclass(frozen=True, slots=True)
class View:
    """How feet along the length and across the width become places on the sheet."""

    origin: Point  # the corner of the first gable end and the back side
    scale: float
    width_ft: float

    def at(self, along_ft: float, from_front_ft: float) -> Point:
        """Return the place of a point, from the first gable end and from the front side."""
        x, y = self.origin
        return x + along_ft * self.scale, y + (self.width_ft - from_front_ft) * self.scale


def plan_svg(building: Building) -> str:
    """
    Return the floor plan to scale as SVG: walls, posts, trusses, openings, lean-tos, sizes.

    Openings and lean-tos stand where `placement.place` puts them, which the sheet says.
    """
    placed = placement.place(building)
    sheet, view = _lay_out(building, placed)
    _draw_lean_tos(sheet, view, building, placed)
    _draw_roof_edge(sheet, view, building)
    if building.extends_existing:
        _draw_existing(sheet, view, building)
    _draw_floor_and_walls(sheet, view, building)
    _draw_trusses(sheet, view, building)
    for opening in placed.openings:
        _draw_opening(sheet, view, building, opening)
    _draw_posts(sheet, view, building, placed)
    _draw_sizes(sheet, view, building, placed)
    _write_notes(sheet, placed)
    return sheet.render(
        name="plan",
        title=f"Plan of a {building.width_ft:g} by {building.length_ft:g} ft building",
        description=_in_words(building, placed),
    )


def _lay_out(building: Building, placed: Placement) -> tuple[Sheet, View]:
    back_ft, front_ft = (_reach_ft(building, placed, side) for side in (Wall.BACK, Wall.FRONT))
    right_ft = EXISTING_FT if building.extends_existing else building.gable_overhang_ft
    along_ft = building.gable_overhang_ft + building.length_ft + right_ft
    across_ft = back_ft + building.width_ft + front_ft
    scale = min((SHEET_WIDTH - LEFT - RIGHT) / along_ft, TALLEST / across_ft, LARGEST_SCALE)
    bottom = BOTTOM + 16 * len(placed.left_out)
    sheet = Sheet(SHEET_WIDTH, TOP + across_ft * scale + bottom)
    spare = SHEET_WIDTH - LEFT - RIGHT - along_ft * scale
    origin = (LEFT + spare / 2 + building.gable_overhang_ft * scale, TOP + back_ft * scale)
    return sheet, View(origin, scale, building.width_ft)


def _reach_ft(building: Building, placed: Placement, side: Wall) -> float:
    """Return how far the drawing goes out from a side: a lean-to, a door's swing, or the roof."""
    swings = (
        one.opening.width_ft for one in placed.on(side) if one.opening.kind is OpeningKind.WALK_DOOR
    )
    lean_tos = (lean.lean_to.width_ft for lean in placed.beside(side))
    return max(building.overhang_ft, *swings, *lean_tos, 0.0)


def _draw_roof_edge(sheet: Sheet, view: View, building: Building) -> None:
    end_ft = building.length_ft
    if not building.extends_existing:
        end_ft += building.gable_overhang_ft
    sheet.box(
        view.at(-building.gable_overhang_ft, -building.overhang_ft),
        view.at(end_ft, building.width_ft + building.overhang_ft),
        dash=DOTTED,
        thick=1,
    )


def _draw_existing(sheet: Sheet, view: View, building: Building) -> None:
    start, end = building.length_ft, building.length_ft + EXISTING_FT
    for from_front_ft in (0, building.width_ft):
        sheet.line(
            view.at(start, from_front_ft), view.at(end, from_front_ft), stroke=GROUND, dash=DASHED
        )
    x, y = view.at(start + EXISTING_FT / 2, building.width_ft / 2)
    sheet.text((x + 5, y), "existing building", size=SMALL_TEXT_SIZE, fill=GROUND, upright=False)


def _draw_floor_and_walls(sheet: Sheet, view: View, building: Building) -> None:
    length_ft, width_ft = building.length_ft, building.width_ft
    corners = [
        view.at(length_ft, 0),
        view.at(0, 0),
        view.at(0, width_ft),
        view.at(length_ft, width_ft),
    ]
    sheet.shape(corners, fill=WALL, stroke="none")
    for start, end in pairwise(corners):
        sheet.line(start, end, thick=2.6)
    joint_dash = DASHED if building.extends_existing else ""
    sheet.line(corners[3], corners[0], thick=1.2 if joint_dash else 2.6, dash=joint_dash)


def _draw_trusses(sheet: Sheet, view: View, building: Building) -> None:
    lines = placement.trusses_ft(building)
    for along_ft in lines[:-1] if building.extends_existing else lines:
        sheet.line(
            view.at(along_ft, 0), view.at(along_ft, building.width_ft), stroke=DIMENSION, thick=0.6
        )
    middle_ft = building.width_ft / 2
    sheet.line(
        view.at(-building.gable_overhang_ft, middle_ft),
        view.at(building.length_ft, middle_ft),
        dash="12 3 2 3",
        thick=1,
    )
    if middle_ft * view.scale > 24:
        x, y = view.at(building.length_ft / 2, middle_ft)
        sheet.text((x, y - 4), "ridge", size=SMALL_TEXT_SIZE)


def _draw_posts(sheet: Sheet, view: View, building: Building, placed: Placement) -> None:
    """Draw the posts, without those that an opening takes the place of."""
    half = min(max(view.scale * 0.35, 1.8), 4.0)
    for wall, from_front_ft in ((Wall.FRONT, 0.0), (Wall.BACK, building.width_ft)):
        for along_ft in placement.side_posts_ft(building):
            if not placed.is_open(wall, along_ft):
                _draw_post(sheet, view.at(along_ft, from_front_ft), half)
    ends = [(Wall.FIRST_GABLE, 0.0)]
    if not building.extends_existing:
        ends.append((Wall.SECOND_GABLE, building.length_ft))
    for wall, along_ft in ends:
        for from_front_ft in placement.end_posts_ft(building)[1:-1]:
            if not placed.is_open(wall, from_front_ft):
                _draw_post(sheet, view.at(along_ft, from_front_ft), half)


def _draw_post(sheet: Sheet, at: Point, half: float) -> None:
    x, y = at
    sheet.box((x - half, y - half), (x + half, y + half), fill=TIMBER, stroke=TIMBER, thick=0.5)


def _draw_lean_tos(sheet: Sheet, view: View, building: Building, placed: Placement) -> None:
    for lean in placed.lean_tos:
        inner_ft = 0.0 if lean.wall is Wall.FRONT else building.width_ft
        outward = -1 if lean.wall is Wall.FRONT else 1
        outer_ft = inner_ft + outward * lean.lean_to.width_ft
        end_ft = lean.start_ft + lean.lean_to.length_ft
        start, end = view.at(lean.start_ft, inner_ft), view.at(end_ft, outer_ft)
        enclosed = lean.lean_to.enclosed
        sheet.box(start, end, fill=WALL if enclosed else PAPER, dash="" if enclosed else DOTTED)
        posts = placement.evenly(
            lean.lean_to.length_ft, spaces(lean.lean_to.length_ft, building.bay_ft)
        )
        half = min(max(view.scale * 0.35, 1.8), 4.0)
        for along_ft in posts:
            _draw_post(sheet, view.at(lean.start_ft + along_ft, outer_ft), half)
        _label_lean_to(sheet, view, lean, (inner_ft + outer_ft) / 2)


def _label_lean_to(sheet: Sheet, view: View, lean: PlacedLeanTo, from_front_ft: float) -> None:
    words = "enclosed lean-to" if lean.lean_to.enclosed else "lean-to"
    x, y = view.at(lean.start_ft + lean.lean_to.length_ft / 2, from_front_ft)
    sheet.text(
        (x, y + 4),
        f"{words} {lean.lean_to.width_ft:g} × {lean.lean_to.length_ft:g}",
        size=SMALL_TEXT_SIZE,
    )


def _draw_opening(sheet: Sheet, view: View, building: Building, placed: PlacedOpening) -> None:
    at = _along_wall(view, building, placed.wall)
    half_ft = placed.opening.width_ft / 2
    start_ft, end_ft = placed.middle_ft - half_ft, placed.middle_ft + half_ft
    sheet.line(at(start_ft, 0), at(end_ft, 0), stroke=PAPER, thick=5)
    if placed.opening.kind is OpeningKind.WINDOW:
        for out_ft in (-2 / view.scale, 2 / view.scale):
            sheet.line(at(start_ft, out_ft), at(end_ft, out_ft), stroke=DIMENSION)
    elif placed.opening.kind is OpeningKind.SLIDING_DOOR:
        out_ft = 4 / view.scale
        sheet.line(at(start_ft, out_ft), at(end_ft, out_ft), thick=2.2)
        # Two leaves, each half the opening, slide beside it.
        for near_ft, far_ft in ((start_ft, start_ft - half_ft), (end_ft, end_ft + half_ft)):
            sheet.line(at(near_ft, out_ft), at(far_ft, out_ft), thick=1, dash=DOTTED)
    elif placed.opening.kind is OpeningKind.OVERHEAD_DOOR:
        sheet.line(at(start_ft, 0), at(end_ft, 0), dash="4 2")
        # Open, the door lies as deep inside as it is high.
        inside_ft = -min(placed.opening.height_ft, building.width_ft / 3)
        outline = [(start_ft, 0.0), (start_ft, inside_ft), (end_ft, inside_ft), (end_ft, 0.0)]
        sheet.shape([at(*point) for point in outline], thick=0.8, dash=DOTTED)
    else:
        leaf_ft = placed.opening.width_ft
        sheet.line(at(start_ft, 0), at(start_ft, leaf_ft), thick=1.4)
        sheet.line(at(start_ft, leaf_ft), at(end_ft, 0), thick=0.8, dash=DOTTED)


def _along_wall(view: View, building: Building, wall: Wall) -> Callable[[float, float], Point]:
    """Return the function from feet along a wall and feet outward to a place on the sheet."""
    return {
        Wall.FRONT: lambda along, out: view.at(along, -out),
        Wall.BACK: lambda along, out: view.at(along, building.width_ft + out),
        Wall.FIRST_GABLE: lambda along, out: view.at(-out, along),
        Wall.SECOND_GABLE: lambda along, out: view.at(building.length_ft + out, along),
    }[wall]


def _draw_sizes(sheet: Sheet, view: View, building: Building, placed: Placement) -> None:
    left, below = view.at(0, -_reach_ft(building, placed, Wall.FRONT))
    right, _ = view.at(building.length_ft, 0)
    sheet.across(left, right, below + 26, f"length {feet(building.length_ft)}")
    _, top = view.at(0, building.width_ft)
    _, bottom = view.at(0, 0)
    edge, _ = view.at(-building.gable_overhang_ft, 0)
    sheet.upward(edge - 12, bottom, top, name="width", length=feet(building.width_ft))
    bays = f"{building.bays} bays of {feet(building.actual_bay_ft)}"
    ends = f"{building.end_spaces} of {feet(building.width_ft / building.end_spaces)} at the ends"
    sheet.text((LEFT - 30, 16), f"{bays}, {ends}", anchor="start", fill=DIMENSION)
    trusses = spaces(building.length_ft, building.truss_spacing_ft)
    sheet.text(
        (LEFT - 30, 33),
        f"trusses {feet(building.length_ft / trusses)} apart",
        anchor="start",
        fill=DIMENSION,
    )
    sheet.scale_bar((left, below + 48), view.scale)


def _write_notes(sheet: Sheet, placed: Placement) -> None:
    notes = [f"No room found for: {what}" for what in placed.left_out]
    if placed.openings or placed.lean_tos:
        notes.append("Doors, windows and lean-tos: placed for drawing only.")
    for number, note in enumerate(reversed(notes)):
        sheet.text(
            (LEFT - 30, sheet.height - 10 - 16 * number),
            note,
            anchor="start",
            size=SMALL_TEXT_SIZE,
            fill=INK,
        )


def _in_words(building: Building, placed: Placement) -> str:
    holes = "on a slab" if building.foundation is Foundation.SLAB_BRACKET else "in holes"
    words = [
        f"{building.length_ft:g} ft long in {building.bays} bays of "
        f"{feet(building.actual_bay_ft)}, {building.width_ft:g} ft wide, posts {holes}."
    ]
    if building.extends_existing:
        words.append("The second gable end stands already.")
    words += [
        f"{placed_one.opening.kind.label} {placed_one.opening.width_ft:g} by "
        f"{placed_one.opening.height_ft:g} ft on the {placed_one.wall}."
        for placed_one in placed.openings
    ]
    words += [
        f"Lean-to {lean.lean_to.width_ft:g} by {lean.lean_to.length_ft:g} ft on the {lean.wall}."
        for lean in placed.lean_tos
    ]
    return " ".join(words)
