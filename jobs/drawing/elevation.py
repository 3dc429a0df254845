"""The elevations: the first gable end above, the front side below, each at its own scale."""

from dataclasses import dataclass
from itertools import pairwise

from contractor.trade.building import Building, Foundation, OpeningKind
from contractor.trade.units import INCHES_PER_FOOT, spaces
from jobs.drawing import placement
from jobs.drawing.placement import PlacedOpening, Placement, Wall
from jobs.drawing.sheet import (
    CONCRETE,
    DASHED,
    DIMENSION,
    DOTTED,
    GROUND,
    INK,
    PAPER,
    ROOF,
    SMALL_TEXT_SIZE,
    TIMBER,
    WAINSCOT,
    WALL,
    Point,
    Sheet,
    feet,
)

SHEET_WIDTH = 480.0
LEFT, RIGHT, TOP, BOTTOM = 66.0, 66.0, 40.0, 60.0
LARGEST_SCALE = 11.0
TALLEST = 300.0
EXISTING_FT = 10.0
# Sills are not sold; heads line up at the usual height of a door; common practice, no source.
HEAD_FT = 7.0


@dataclass(frozen=True, slots=True)
class View:
    """How feet across and feet above grade become places on the sheet."""

    left: float
    grade: float
    scale: float

    def at(self, across_ft: float, up_ft: float) -> Point:
        """Return the place of a point, from the left corner post and above grade."""
        return self.left + across_ft * self.scale, self.grade - up_ft * self.scale


def elevation_svg(building: Building) -> str:
    """
    Return the gable end and the front side to scale as SVG, with posts and footings below grade.

    The two views have their own scales, each with its bar. Openings stand where
    `placement.place` puts them, which the sheet says.
    """
    placed = placement.place(building)
    gable_ft = _gable_reach_ft(building, placed)
    side_ft = _side_reach_ft(building)
    tall_ft = building.eave_ft + building.rise_ft + 1
    deep_ft = _depth_ft(building)
    gable_scale = _scale(sum(gable_ft) + building.width_ft, tall_ft + deep_ft)
    side_scale = _scale(sum(side_ft) + building.length_ft, tall_ft + deep_ft)
    gable_grade = TOP + tall_ft * gable_scale
    side_top = gable_grade + deep_ft * gable_scale + BOTTOM
    side_grade = side_top + TOP + tall_ft * side_scale
    sheet = Sheet(SHEET_WIDTH, side_grade + deep_ft * side_scale + BOTTOM + 18)
    gable = View(_left(gable_ft, building.width_ft, gable_scale), gable_grade, gable_scale)
    side = View(_left(side_ft, building.length_ft, side_scale), side_grade, side_scale)
    heading = f"First gable end, eave overhang {feet(building.overhang_ft)}"
    sheet.text((8, 18), heading, anchor="start")
    _draw_gable_end(sheet, gable, building, placed)
    heading = f"Front side, gable overhang {feet(building.gable_overhang_ft)}"
    if building.wainscot_ft:
        heading += f", wainscot {feet(building.wainscot_ft)}"
    sheet.text((8, side_top + 18), heading, anchor="start")
    _draw_front_side(sheet, side, building, placed)
    if placed.openings or placed.lean_tos:
        note = "Doors, windows and lean-tos: placed for drawing only."
        sheet.text((8, sheet.height - 8), note, anchor="start", size=SMALL_TEXT_SIZE)
    return sheet.render(
        name="elevation",
        title=f"Gable end and front side, {building.eave_ft:g} ft to the eave",
        description=_in_words(building),
    )


def _scale(across_ft: float, high_ft: float) -> float:
    return min((SHEET_WIDTH - LEFT - RIGHT) / across_ft, TALLEST / high_ft, LARGEST_SCALE)


def _left(reach_ft: tuple[float, float], across_ft: float, scale: float) -> float:
    """Return where the left corner post stands so that the view is centered."""
    used = (sum(reach_ft) + across_ft) * scale
    return LEFT + (SHEET_WIDTH - LEFT - RIGHT - used) / 2 + reach_ft[0] * scale


def _gable_reach_ft(building: Building, placed: Placement) -> tuple[float, float]:
    back, front = (
        max((lean.lean_to.width_ft for lean in placed.beside(side)), default=building.overhang_ft)
        for side in (Wall.BACK, Wall.FRONT)
    )
    return back, front


def _side_reach_ft(building: Building) -> tuple[float, float]:
    right_ft = EXISTING_FT if building.extends_existing else building.gable_overhang_ft
    return building.gable_overhang_ft, right_ft


def _depth_ft(building: Building) -> float:
    if building.foundation is Foundation.SLAB_BRACKET:
        return building.slab_in / INCHES_PER_FOOT + 1
    return building.hole_depth_in / INCHES_PER_FOOT


def _draw_gable_end(sheet: Sheet, view: View, building: Building, placed: Placement) -> None:
    width_ft, eave_ft = building.width_ft, building.eave_ft
    peak_ft = eave_ft + building.rise_ft
    for lean in placed.lean_tos:
        _draw_lean_to_profile(sheet, view, building, lean)
    wall = [(0, 0), (0, eave_ft), (width_ft / 2, peak_ft), (width_ft, eave_ft), (width_ft, 0)]
    sheet.shape([view.at(*point) for point in wall], fill=WALL)
    _draw_wainscot(sheet, view, building, width_ft)
    fall_ft = building.overhang_ft * building.pitch_in_12 / 12
    roof = [
        view.at(-building.overhang_ft, eave_ft - fall_ft),
        view.at(width_ft / 2, peak_ft),
        view.at(width_ft + building.overhang_ft, eave_ft - fall_ft),
    ]
    for start, end in pairwise(roof):
        sheet.line(start, end, thick=4, stroke=INK)
    _draw_slab(sheet, view, building, width_ft)
    for across_ft in placement.end_posts_ft(building):
        top_ft = eave_ft + min(across_ft, width_ft - across_ft) * building.pitch_in_12 / 12
        _draw_post(sheet, view, building, across_ft, top_ft)
    for opening in placed.on(Wall.FIRST_GABLE):
        # Seen from outside, the back side is on the left hand.
        _draw_opening(sheet, view, building, opening, width_ft - opening.middle_ft)
    _draw_grade(sheet, view)
    _draw_pitch(sheet, view, building)
    _draw_gable_sizes(sheet, view, building, placed)


def _draw_front_side(sheet: Sheet, view: View, building: Building, placed: Placement) -> None:
    length_ft, eave_ft = building.length_ft, building.eave_ft
    peak_ft = eave_ft + building.rise_ft
    start_ft = -building.gable_overhang_ft
    end_ft = length_ft if building.extends_existing else length_ft + building.gable_overhang_ft
    low_ft = eave_ft - building.overhang_ft * building.pitch_in_12 / 12
    if building.extends_existing:
        _draw_existing(sheet, view, building, low_ft)
    sheet.box(view.at(0, 0), view.at(length_ft, eave_ft), fill=WALL)
    _draw_wainscot(sheet, view, building, length_ft)
    sheet.box(view.at(start_ft, low_ft), view.at(end_ft, peak_ft), fill=ROOF)
    _draw_slab(sheet, view, building, length_ft)
    for across_ft in placement.side_posts_ft(building):
        _draw_post(sheet, view, building, across_ft, low_ft)
    for opening in placed.on(Wall.FRONT):
        _draw_opening(sheet, view, building, opening, opening.middle_ft)
    for lean in placed.beside(Wall.FRONT):
        _draw_lean_to_front(sheet, view, building, lean)
    _draw_grade(sheet, view)
    _draw_side_sizes(sheet, view, building)


def _draw_existing(sheet: Sheet, view: View, building: Building, low_ft: float) -> None:
    start_ft, end_ft = building.length_ft, building.length_ft + EXISTING_FT
    for up_ft in (low_ft, building.eave_ft + building.rise_ft):
        sheet.line(view.at(start_ft, up_ft), view.at(end_ft, up_ft), stroke=GROUND, dash=DASHED)
    x, y = view.at(start_ft + EXISTING_FT / 2, (building.eave_ft + building.rise_ft) / 2)
    sheet.text((x + 5, y), "existing", size=SMALL_TEXT_SIZE, fill=GROUND, upright=False)


def _draw_wainscot(sheet: Sheet, view: View, building: Building, across_ft: float) -> None:
    if building.wainscot_ft:
        sheet.box(view.at(0, 0), view.at(across_ft, building.wainscot_ft), fill=WAINSCOT, thick=0.8)


def _draw_slab(sheet: Sheet, view: View, building: Building, across_ft: float) -> None:
    if building.slab_in:
        under = view.at(across_ft, -building.slab_in / INCHES_PER_FOOT)
        sheet.box(view.at(0, 0), under, fill=CONCRETE, stroke=GROUND, thick=0.6)


def _draw_grade(sheet: Sheet, view: View) -> None:
    sheet.line((44, view.grade), (SHEET_WIDTH - 44, view.grade), stroke=GROUND, thick=2)


def _draw_post(
    sheet: Sheet, view: View, building: Building, across_ft: float, top_ft: float
) -> None:
    """Draw a post dashed where steel or soil hides it, and what it stands on."""
    depth_ft = _depth_ft(building)
    if building.foundation is Foundation.SLAB_BRACKET:
        half_ft = 0.75
        sheet.box(
            view.at(across_ft - half_ft, 0),
            view.at(across_ft + half_ft, -depth_ft),
            fill=CONCRETE,
            thick=0.6,
        )
        bottom_ft = 0.0
    else:
        half_ft = building.pier_diameter_in / INCHES_PER_FOOT / 2
        pad_ft = building.pad_in / INCHES_PER_FOOT
        poured = building.foundation is Foundation.POURED_PIER
        fill_ft = pad_ft + (building.collar_in / INCHES_PER_FOOT if poured else 0.0)
        left, right = across_ft - half_ft, across_ft + half_ft
        sheet.box(
            view.at(left, 0), view.at(right, -depth_ft), stroke=GROUND, thick=0.8, dash=DOTTED
        )
        sheet.box(
            view.at(left, fill_ft - depth_ft), view.at(right, -depth_ft), fill=CONCRETE, thick=0.6
        )
        bottom_ft = pad_ft - depth_ft
    thick = min(max(view.scale * 0.45, 1.2), 3.5)
    hidden_to = view.at(across_ft, top_ft)
    sheet.line(hidden_to, view.at(across_ft, 0), stroke=TIMBER, thick=0.8, dash="3 3")
    sheet.line(view.at(across_ft, 0), view.at(across_ft, bottom_ft), stroke=TIMBER, thick=thick)


def _draw_opening(
    sheet: Sheet, view: View, building: Building, placed: PlacedOpening, middle_ft: float
) -> None:
    opening = placed.opening
    half_ft = opening.width_ft / 2
    sill_ft = 0.0
    if opening.kind is OpeningKind.WINDOW:
        head_ft = min(max(HEAD_FT, opening.height_ft), building.eave_ft)
        sill_ft = head_ft - opening.height_ft
    corner = view.at(middle_ft - half_ft, sill_ft)
    opposite = view.at(middle_ft + half_ft, sill_ft + opening.height_ft)
    sheet.box(corner, opposite, fill=PAPER, thick=1.4)
    if opening.kind is OpeningKind.OVERHEAD_DOOR:
        panels = max(round(opening.height_ft / 2), 2)
        for up_ft in placement.evenly(opening.height_ft, panels)[1:-1]:
            left, right = view.at(middle_ft - half_ft, up_ft), view.at(middle_ft + half_ft, up_ft)
            sheet.line(left, right, thick=0.7)
    elif opening.kind is OpeningKind.SLIDING_DOOR:
        sheet.line((corner[0], corner[1]), (opposite[0], opposite[1]), thick=0.7)
        sheet.line((corner[0], opposite[1]), (opposite[0], corner[1]), thick=0.7)
    label = f"{opening.width_ft:g}×{opening.height_ft:g}"
    if opening.width_ft * view.scale > 42:
        middle = ((corner[0] + opposite[0]) / 2, (corner[1] + opposite[1]) / 2 + 4)
        sheet.text(middle, label, size=SMALL_TEXT_SIZE)


def _draw_lean_to_profile(
    sheet: Sheet, view: View, building: Building, lean: placement.PlacedLeanTo
) -> None:
    back = lean.wall is Wall.BACK
    inner_ft = 0.0 if back else building.width_ft
    outer_ft = inner_ft + (-1 if back else 1) * lean.lean_to.width_ft
    low_ft = lean.lean_to.low_eave_ft
    high_ft = max(building.eave_ft, low_ft)
    if lean.lean_to.enclosed:
        shape = [(inner_ft, 0), (inner_ft, high_ft), (outer_ft, low_ft), (outer_ft, 0)]
        sheet.shape([view.at(*point) for point in shape], fill=WALL, thick=0.8)
    sheet.line(view.at(inner_ft, high_ft), view.at(outer_ft, low_ft), thick=4)
    _draw_post(sheet, view, building, outer_ft, low_ft)
    x, y = view.at((inner_ft + outer_ft) / 2, low_ft / 2)
    sheet.text((x, y), "lean-to", size=SMALL_TEXT_SIZE)
    sheet.text((x, y + 15), f"{feet(low_ft)} low", size=SMALL_TEXT_SIZE, fill=DIMENSION)


def _draw_lean_to_front(
    sheet: Sheet, view: View, building: Building, lean: placement.PlacedLeanTo
) -> None:
    low_ft, end_ft = lean.lean_to.low_eave_ft, lean.start_ft + lean.lean_to.length_ft
    sheet.box(view.at(lean.start_ft, low_ft), view.at(end_ft, building.eave_ft), fill=ROOF)
    if lean.lean_to.enclosed:
        sheet.box(view.at(lean.start_ft, 0), view.at(end_ft, low_ft), fill=WALL)
    bays = spaces(lean.lean_to.length_ft, building.bay_ft)
    for across_ft in placement.evenly(lean.lean_to.length_ft, bays):
        _draw_post(sheet, view, building, lean.start_ft + across_ft, low_ft)


def _draw_pitch(sheet: Sheet, view: View, building: Building) -> None:
    """Draw the pitch triangle beside the roof: 12 of run, so much rise."""
    run = 44.0
    rise = run * building.pitch_in_12 / 12
    _, peak = view.at(0, building.eave_ft + building.rise_ft)
    x, y = SHEET_WIDTH - RIGHT - run - 24, peak - 6 + rise
    corners = [(x, y - rise), (x + run, y - rise), (x + run, y)]
    sheet.shape(corners, stroke=DIMENSION, thick=1)
    sheet.text((x + run / 2, y - rise - 4), "12", fill=DIMENSION, size=SMALL_TEXT_SIZE)
    sheet.text(
        (x + run + 5, y - rise / 2 + 4),
        f"{building.pitch_in_12:g}",
        anchor="start",
        fill=DIMENSION,
        size=SMALL_TEXT_SIZE,
    )


def _draw_gable_sizes(sheet: Sheet, view: View, building: Building, placed: Placement) -> None:
    left, right = (view.at(across_ft, 0)[0] for across_ft in (0, building.width_ft))
    below = view.at(0, -_depth_ft(building))[1]
    sheet.across(left, right, below + 22, f"width {feet(building.width_ft)}")
    reach = _gable_reach_ft(building, placed)
    outside = view.at(-reach[0], 0)[0] - 16
    eave = view.at(0, building.eave_ft)[1]
    sheet.upward(outside, view.grade, eave, name="eave", length=feet(building.eave_ft))
    peak_ft = building.eave_ft + building.rise_ft
    far = view.at(building.width_ft + reach[1], 0)[0] + 30
    sheet.upward(far, view.grade, view.at(0, peak_ft)[1], name="peak", length=feet(peak_ft))
    if building.foundation is not Foundation.SLAB_BRACKET:
        _, bottom = view.at(0, -_depth_ft(building))
        words = f"{building.hole_depth_in:g} in"
        sheet.line((outside, view.grade), (outside, bottom), stroke=DIMENSION, thick=1)
        sheet.text(
            (outside - 4, (view.grade + bottom) / 2 + 4), words, anchor="end", fill=DIMENSION
        )
    sheet.scale_bar((8, below + 40), view.scale)


def _draw_side_sizes(sheet: Sheet, view: View, building: Building) -> None:
    left, right = (view.at(across_ft, 0)[0] for across_ft in (0, building.length_ft))
    below = view.at(0, -_depth_ft(building))[1]
    bays = f"{feet(building.length_ft)} in {building.bays} bays"
    sheet.across(left, right, below + 22, bays)
    sheet.scale_bar((8, below + 40), view.scale)


def _in_words(building: Building) -> str:
    peak_ft = building.eave_ft + building.rise_ft
    ground = (
        f"on brackets on a {building.slab_in:g} in slab"
        if building.foundation is Foundation.SLAB_BRACKET
        else f"in holes {building.hole_depth_in:g} in deep, {building.pier_diameter_in:g} in wide"
    )
    return (
        f"Eave {feet(building.eave_ft)}, peak {feet(peak_ft)}, "
        f"roof {building.pitch_in_12:g} in 12, "
        f"overhang {feet(building.overhang_ft)} at the eaves and "
        f"{feet(building.gable_overhang_ft)} at the gables; posts {ground}."
    )
