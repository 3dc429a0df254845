"""
What a building takes: pieces, feet, square feet and cubic yards.

The formulas are those by which the trade counts a post-frame building from its
sizes (common practice, no source); the arithmetic of every line is shown to people.
"""

import math
from dataclasses import dataclass
from types import MappingProxyType

from contractor.trade import takeoff_extras as extras
from contractor.trade.building import Building
from contractor.trade.kinds import Foundation, OpeningKind
from contractor.trade.takeoff_line import Line, line
from contractor.trade.units import cylinder_cy, number_text, slab_cy, spaces

__all__ = ["Line", "TakeOff", "take_off"]

# Net cover of one sheet of ribbed steel; common practice, no source.
SHEET_COVER_FT = 3.0
# Exposed fasteners per square foot of steel; common practice, no source.
SCREWS_PER_SF = 0.85
# Skirt boards stand two courses high; common practice, no source.
SKIRT_COURSES = 2
# Smaller openings are not deducted from steel; common practice, no source.
LEAST_DEDUCTED_SF = 20.0
JAMB_POSTS_PER_BIG_OPENING = 2


@dataclass(frozen=True, slots=True)
class TakeOff:
    """The lines of a take-off in build order; ``take_off["posts"]`` is a quantity."""

    lines: tuple[Line, ...]

    def __getitem__(self, code: str) -> float:
        """Return the quantity of a line, or 0.0 when the building has none of it."""
        found = self._by_code().get(code)
        return found.quantity if found else 0.0

    def line(self, code: str) -> Line:
        """Return one line; KeyError when the building has none of it."""
        return self._by_code()[code]

    def __contains__(self, code: str) -> bool:
        return code in self._by_code()

    def _by_code(self) -> MappingProxyType[str, Line]:
        return MappingProxyType({item.code: item for item in self.lines})


def take_off(building: Building) -> TakeOff:
    """
    Return everything a building takes, without waste.

    Lines of quantity zero are left out. Openings over 20 sq ft are deducted
    from walls. When the building carries on an old one, a gable end stands already.
    """
    lines = [*_posts(building), *extras.lean_to_lines(building)]
    lines += _ground(building, lines)
    lines += [*_frame(building), *_roof(building), *_walls(building), *_trim(building)]
    lines += [_screws(lines)]
    lines += [*extras.inside_lines(building, deducted_sf(building)), *_openings(building)]
    return TakeOff(tuple(item for item in lines if item.quantity > 0))


def deducted_sf(building: Building) -> float:
    """Return the area of openings large enough to be left out of wall steel."""
    return sum(
        opening.area_sf * opening.count
        for opening in building.openings
        if opening.area_sf > LEAST_DEDUCTED_SF
    )


def _count(building: Building, kind: OpeningKind) -> int:
    return sum(opening.count for opening in building.openings if opening.kind == kind)


def _posts(building: Building) -> list[Line]:
    bays, ends, end_spaces = building.bays, building.gable_ends, building.end_spaces
    sides = 2 * (bays + ends - 1)
    side_text = f"2 × ({bays} + 1)" if ends == 2 else f"2 × {bays}"
    end_text = f"{ends} × (⌈{building.width_ft:g}/{building.end_spacing_ft:g}⌉ − 1)"
    posts = sides + ends * (end_spaces - 1)
    big = _count(building, OpeningKind.SLIDING_DOOR) + _count(building, OpeningKind.OVERHEAD_DOOR)
    return [
        line("bays", "Bays", bays, "ea", f"⌈{building.length_ft:g}/{building.bay_ft:g}⌉"),
        line("posts", "Posts", posts, "ea", f"{side_text} + {end_text}"),
        line(
            "jamb_posts",
            "Jamb posts at wide doors",
            JAMB_POSTS_PER_BIG_OPENING * big,
            "ea",
            f"{JAMB_POSTS_PER_BIG_OPENING} × {big}",
        ),
    ]


def _ground(building: Building, above: list[Line]) -> list[Line]:
    counted = [x for x in above if x.code in ("posts", "jamb_posts", "lean_to_posts") if x.quantity]
    standing = sum(item.quantity for item in counted)
    text = " + ".join(number_text(item.quantity) for item in counted)
    slab = slab_cy(area_sf=building.footprint_sf, thickness_in=building.slab_in)
    slab_text = f"{building.width_ft:g} × {building.length_ft:g} × {building.slab_in:g}/12/27"
    lines = [line("slab_concrete_cy", "Slab concrete", slab, "cy", slab_text)]
    if building.foundation == Foundation.SLAB_BRACKET:
        return [line("brackets", "Post brackets", standing, "ea", text), *lines]
    lines.insert(0, line("holes", "Holes", standing, "ea", text))
    if building.foundation == Foundation.PRECAST_PIER:
        return [*lines, line("precast_piers", "Precast piers", standing, "ea", text)]
    for code, label, height_in in (
        ("collar_concrete_cy", "Collar concrete", building.collar_in),
        ("pad_concrete_cy", "Pad concrete", building.pad_in),
    ):
        each = cylinder_cy(diameter_in=building.pier_diameter_in, height_in=height_in)
        shown = f"{standing:g} × π × ({building.pier_diameter_in:g}/24)² × {height_in:g}/12/27"
        lines.append(line(code, label, standing * each, "cy", shown))
    return lines


def _frame(building: Building) -> list[Line]:
    truss_spaces = spaces(building.length_ft, building.truss_spacing_ft)
    trusses = truss_spaces + building.gable_ends - 1
    ending = " + 1" if building.gable_ends == 2 else ""
    rows = purlin_rows(building)
    girts = girt_rows(building)
    run_ft = building.wall_run_ft
    gable_lf, gable_text = _gable_girts(building)
    return [
        line(
            "trusses",
            "Trusses",
            trusses,
            "ea",
            f"⌈{building.length_ft:g}/{building.truss_spacing_ft:g}⌉{ending}",
        ),
        line(
            "purlin_lf",
            "Purlins",
            2 * rows * building.roof_run_ft,
            "lf",
            f"2 × {rows} rows × {building.roof_run_ft:g}",
        ),
        line("girt_lf", "Wall girts", girts * run_ft, "lf", f"{girts} rows × {run_ft:g}"),
        line("gable_girt_lf", "Gable girts", gable_lf, "lf", gable_text),
        line("skirt_lf", "Skirt run", run_ft, "lf", f"walls {run_ft:g}"),
        line(
            "skirt_board_lf",
            "Skirt boards",
            SKIRT_COURSES * run_ft,
            "lf",
            f"{SKIRT_COURSES} courses × {run_ft:g}",
        ),
        line(
            "eave_carrier_lf",
            "Eave carriers, double",
            2 * building.length_ft,
            "lf",
            f"2 × {building.length_ft:g}",
        ),
    ]


def purlin_rows(building: Building) -> int:
    """Return the purlin rows on one slope, one at each edge."""
    return spaces(building.slope_length_ft, building.purlin_spacing_ft) + 1


def girt_rows(building: Building) -> int:
    """Return the girt rows above the skirt."""
    return spaces(building.eave_ft, building.girt_spacing_ft)


def _gable_girts(building: Building) -> tuple[float, str]:
    """Return the length of girts above the eave line, each shorter than the one below."""
    rise_ft, step_ft = building.rise_ft, building.girt_spacing_ft
    rows = spaces(rise_ft, step_ft) - 1
    heights = [step_ft * row for row in range(1, rows + 1)]
    lengths = [building.width_ft * (1 - height / rise_ft) for height in heights]
    text = f"{building.gable_ends} × ({' + '.join(number_text(x) for x in lengths)})"
    return building.gable_ends * math.fsum(lengths), text


def _roof(building: Building) -> list[Line]:
    slope_ft, run_ft = building.slope_length_ft, building.roof_run_ft
    columns = spaces(run_ft, SHEET_COVER_FT)
    return [
        line(
            "roof_sf", "Roof steel", 2 * slope_ft * run_ft, "sf", f"2 × {slope_ft:.2f} × {run_ft:g}"
        ),
        line("roof_sheets", "Roof sheets", 2 * columns, "ea", f"2 × ⌈{run_ft:g}/3⌉"),
    ]


def _walls(building: Building) -> list[Line]:
    ends, less_sf = building.gable_ends, deducted_sf(building)
    run_ft, width_ft, rise_ft = building.wall_run_ft, building.width_ft, building.rise_ft
    gross_sf = run_ft * building.eave_ft + ends * width_ft * rise_ft / 2
    side_sheets = spaces(building.length_ft, SHEET_COVER_FT)
    end_sheets = spaces(width_ft, SHEET_COVER_FT)
    less = f" − {number_text(less_sf)}" if less_sf else ""
    return [
        line(
            "wall_sf",
            "Wall steel",
            max(gross_sf - less_sf, 0.0),
            "sf",
            f"{run_ft:g} × {building.eave_ft:g} + {ends} × {width_ft:g} × {rise_ft:.2f}/2{less}",
        ),
        line(
            "wall_sheets",
            "Wall sheets",
            2 * side_sheets + ends * end_sheets,
            "ea",
            f"2 × ⌈{building.length_ft:g}/3⌉ + {ends} × ⌈{width_ft:g}/3⌉",
        ),
        line(
            "wainscot_sf",
            "Wainscot steel (within wall steel)",
            run_ft * building.wainscot_ft,
            "sf",
            f"{run_ft:g} × {building.wainscot_ft:g}",
        ),
    ]


def _trim(building: Building) -> list[Line]:
    run_ft, slope_ft, ends = building.roof_run_ft, building.slope_length_ft, building.gable_ends
    doors_ft = sum(
        opening.width_ft * opening.count
        for opening in building.openings
        if opening.kind != OpeningKind.WINDOW
    )
    each = [
        (opening.count, 2 * opening.height_ft + opening.width_ft) for opening in building.openings
    ]
    walls_ft = building.wall_run_ft
    wainscot_ft = walls_ft if building.wainscot_ft > 0 else 0
    opening_text = " + ".join(f"{count} × {number_text(length)}" for count, length in each)
    return [
        line("ridge_lf", "Ridge cap", run_ft, "lf", f"{run_ft:g}"),
        line("eave_trim_lf", "Eave trim", 2 * run_ft, "lf", f"2 × {run_ft:g}"),
        line("rake_lf", "Rake trim", 2 * ends * slope_ft, "lf", f"{2 * ends} × {slope_ft:.2f}"),
        line(
            "corner_lf",
            "Corner trim",
            2 * ends * building.eave_ft,
            "lf",
            f"{2 * ends} × {building.eave_ft:g}",
        ),
        line(
            "base_trim_lf",
            "Base trim",
            max(walls_ft - doors_ft, 0),
            "lf",
            f"{walls_ft:g} − {number_text(doors_ft)} of doors",
        ),
        line(
            "opening_trim_lf",
            "Opening trim",
            sum(n * length for n, length in each),
            "lf",
            opening_text,
        ),
        line("wainscot_trim_lf", "Wainscot trim", wainscot_ft, "lf", f"{wainscot_ft:g}"),
    ]


def _screws(above: list[Line]) -> Line:
    steel_codes = ("roof_sf", "wall_sf", "lean_to_roof_sf", "lean_to_wall_sf")
    steel_sf = math.fsum(item.quantity for item in above if item.code in steel_codes)
    text = f"{number_text(steel_sf, places=1)} × {SCREWS_PER_SF}"
    return line("screws", "Panel screws", round(steel_sf * SCREWS_PER_SF), "ea", text)


def _openings(building: Building) -> list[Line]:
    labels = {
        OpeningKind.WALK_DOOR: ("walk_doors", "Walk doors"),
        OpeningKind.SLIDING_DOOR: ("sliding_doors", "Sliding doors"),
        OpeningKind.OVERHEAD_DOOR: ("overhead_doors", "Overhead doors"),
        OpeningKind.WINDOW: ("windows", "Windows"),
    }
    lines = []
    for kind, (code, label) in labels.items():
        counts = [opening.count for opening in building.openings if opening.kind == kind]
        lines.append(line(code, label, sum(counts), "ea", " + ".join(map(str, counts))))
    return lines
