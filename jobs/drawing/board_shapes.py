"""The shapes of the board's bars: each family of work has its own, told apart without color."""

from __future__ import annotations

from contractor.trade.labeled import Labeled
from contractor.trade.phases import PHASE_TABLE, Performer

CUT = 5.0
RIB = 7.0


class Family(Labeled):
    """What kind of work a bar is; its shape is taken from what the work makes."""

    GROUND = "ground"
    FRAME = "frame"
    STEEL = "steel"
    FINISH = "finish"
    VISIT = "visit"
    ASIDE = "aside"


_GROUND = {"LAYOUT", "DIG", "HOLE_REWORK", "POUR", "SLAB", "SLAB_REWORK", "POSTS"}
_FRAME = {"FRAME", "TRUSSES", "FRAME_REWORK"}
_STEEL = {"ROOF", "WALLS", "TRIM"}
_SHORT = {
    "LAYOUT": "Lay",
    "DIG": "Dig",
    "HOLE_INSPECTION": "Holes",
    "HOLE_REWORK": "Redo",
    "POUR": "Pads",
    "SLAB_INSPECTION": "Slab",
    "SLAB_REWORK": "Redo",
    "SLAB": "Slab",
    "POSTS": "Posts",
    "FRAME": "Frame",
    "TRUSSES": "Truss",
    "FRAME_INSPECTION": "Frame",
    "FRAME_REWORK": "Redo",
    "ROOF": "Roof",
    "WALLS": "Walls",
    "TRIM": "Trim",
    "OVERHEAD_DOORS": "OH doors",
    "DOORS": "Doors",
    "ROUGH_TRADES": "Rough",
    "INSULATION": "Insul.",
    "LINER": "Liner",
    "FINAL_INSPECTION": "Final",
    "FINAL_REWORK": "Redo",
    "PUNCH": "Punch",
}


def family_of(code: str) -> Family:
    """Return the family of a phase."""
    if PHASE_TABLE[code].performer is Performer.AUTHORITY:
        return Family.VISIT
    if code in _GROUND:
        return Family.GROUND
    if code in _FRAME:
        return Family.FRAME
    return Family.STEEL if code in _STEEL else Family.FINISH


def short_of(code: str) -> str:
    """Return a phase in one short word, for narrow bars."""
    return _SHORT.get(code, PHASE_TABLE[code].label)


def outline(family: Family, left: float, top: float, width: float, height: float) -> str:
    """
    Return a bar's outline as an SVG path.

    Ground work is pointed below like a post in its hole, framing above like a gable, steel has
    ribs, finish is round, an authority's visit is a pennant, time set aside leans.
    """
    cut = min(CUT, width / 3)
    right, low = left + width, top + height
    if family is Family.GROUND:
        return (
            f"M{left:g} {top:g}H{right:g}V{low - cut:g}L{right - cut:g} {low:g}"
            f"H{left + cut:g}L{left:g} {low - cut:g}z"
        )
    if family is Family.FRAME:
        return (
            f"M{left:g} {low:g}V{top + cut:g}L{left + cut:g} {top:g}H{right - cut:g}"
            f"L{right:g} {top + cut:g}V{low:g}z"
        )
    if family is Family.STEEL:
        ribs = "".join(
            f"M{left + n * RIB:g} {low - 4:g}v4" for n in range(1, int((width - 1) / RIB) + 1)
        )
        return f"M{left:g} {top:g}H{right:g}V{low:g}H{left:g}z{ribs}"
    if family is Family.VISIT:
        middle = top + height / 2
        point = f"L{right:g} {middle:g}L{right - cut:g} {low:g}"
        return f"M{left:g} {top:g}H{right - cut:g}{point}H{left:g}z"
    if family is Family.ASIDE:
        return f"M{left + cut:g} {top:g}H{right:g}L{right - cut:g} {low:g}H{left:g}z"
    bend = min(CUT, width / 2)
    return (
        f"M{left + bend:g} {top:g}H{right - bend:g}q{bend:g} 0 {bend:g} {bend:g}"
        f"V{low - bend:g}q0 {bend:g} -{bend:g} {bend:g}H{left + bend:g}"
        f"q-{bend:g} 0 -{bend:g} -{bend:g}V{top + bend:g}q0 -{bend:g} {bend:g} -{bend:g}z"
    )
