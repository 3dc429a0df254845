"""The take-off of lean-tos and of the inside: liner, inside girts, insulation."""

import math

from contractor.trade.building import Building
from contractor.trade.kinds import Insulation, LeanTo, Lining
from contractor.trade.takeoff_line import Line, line
from contractor.trade.units import number_text, spaces


def lean_to_lines(building: Building) -> list[Line]:
    """
    Return what all lean-tos of a building take together.

    Each stands on its own row of posts; its high side hangs on the sidewall
    posts at the eave. Our own arithmetic, by the same rules as the main building.
    """
    labels = {
        "lean_to_posts": ("Lean-to posts", "ea"),
        "lean_to_rafters": ("Lean-to rafters", "ea"),
        "lean_to_purlin_lf": ("Lean-to purlins", "lf"),
        "lean_to_girt_lf": ("Lean-to girts", "lf"),
        "lean_to_roof_sf": ("Lean-to roof steel", "sf"),
        "lean_to_wall_sf": ("Lean-to wall steel", "sf"),
    }
    parts = [_lean_to_parts(building, lean_to) for lean_to in building.lean_tos]
    lines = []
    for code, (label, unit) in labels.items():
        amounts = [part[code] for part in parts]
        text = " + ".join(number_text(amount) for amount in amounts)
        lines.append(line(code, label, math.fsum(amounts), unit, text))
    return lines


def _lean_to_parts(building: Building, lean_to: LeanTo) -> dict[str, float]:
    drop_ft = building.eave_ft - lean_to.low_eave_ft
    factor = math.hypot(lean_to.width_ft, drop_ft) / lean_to.width_ft
    slope_ft = (lean_to.width_ft + building.overhang_ft) * factor
    purlins = spaces(slope_ft, building.purlin_spacing_ft) + 1
    parts = {
        "lean_to_posts": spaces(lean_to.length_ft, building.bay_ft) + 1,
        "lean_to_rafters": spaces(lean_to.length_ft, building.truss_spacing_ft) + 1,
        "lean_to_purlin_lf": purlins * lean_to.length_ft,
        "lean_to_girt_lf": 0.0,
        "lean_to_roof_sf": slope_ft * lean_to.length_ft,
        "lean_to_wall_sf": 0.0,
    }
    if lean_to.enclosed:
        mean_ft = (building.eave_ft + lean_to.low_eave_ft) / 2
        run_ft = lean_to.length_ft + 2 * lean_to.width_ft
        rows = spaces(mean_ft, building.girt_spacing_ft)
        parts["lean_to_girt_lf"] = rows * run_ft
        ends_sf = 2 * lean_to.width_ft * mean_ft
        parts["lean_to_wall_sf"] = lean_to.length_ft * lean_to.low_eave_ft + ends_sf
    return parts


def inside_lines(building: Building, deducted_sf: float) -> list[Line]:
    """Return liner, inside girts and insulation; ``deducted_sf`` is the area of openings."""
    floor_sf, run_ft = building.footprint_sf, building.wall_run_ft
    walls_sf = max(run_ft * building.eave_ft - deducted_sf, 0.0)
    floor_text = f"{building.width_ft:g} × {building.length_ft:g}"
    walls_text = f"{run_ft:g} × {building.eave_ft:g} − {number_text(deducted_sf)} of openings"
    lines = []
    if building.ceiling_lining == Lining.STEEL:
        lines.append(line("ceiling_liner_sf", "Ceiling steel", floor_sf, "sf", floor_text))
    if building.wall_lining == Lining.STEEL:
        lines.append(line("wall_liner_sf", "Wall liner steel", walls_sf, "sf", walls_text))
    if building.wall_lining != Lining.NONE:
        rows = spaces(building.eave_ft, building.girt_spacing_ft)
        text = f"{rows} rows × {run_ft:g}"
        lines.append(line("inside_girt_lf", "Inside girts", rows * run_ft, "lf", text))
    if building.insulation == Insulation.CONDENSATION_BLANKET:
        slope_ft, roof_run_ft = building.slope_length_ft, building.roof_run_ft
        text = f"2 × {slope_ft:.2f} × {roof_run_ft:g}"
        area_sf = 2 * slope_ft * roof_run_ft
        lines.append(line("condensation_blanket_sf", "Condensation blanket", area_sf, "sf", text))
    if building.insulation in (Insulation.BATTS, Insulation.BLOWN_AND_BATTS):
        lines.append(line("wall_batts_sf", "Wall batts", walls_sf, "sf", walls_text))
    if building.insulation == Insulation.BATTS and building.ceiling_lining != Lining.NONE:
        lines.append(line("ceiling_batts_sf", "Ceiling batts", floor_sf, "sf", floor_text))
    if building.insulation == Insulation.BLOWN_AND_BATTS:
        lines.append(line("blown_sf", "Blown ceiling insulation", floor_sf, "sf", floor_text))
    return lines
