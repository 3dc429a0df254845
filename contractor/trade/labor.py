"""Labor hours of each crew phase, from a take-off and rates."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from contractor.trade.building import Building
from contractor.trade.kinds import Soil
from contractor.trade.rates import STARTER_RATES, Rate, truss_rate_code
from contractor.trade.takeoff import TakeOff
from contractor.trade.units import number_text

# How many times the good-soil hours a hole takes; common practice, no source.
SOIL_FACTORS = {Soil.GOOD: 1.0, Soil.HARD: 2.0, Soil.ROCK: 3.0}
# Hours grow with the eave height: +50 % on posts of 16 ft walls is common practice, no
# source; the steps below it are our own arithmetic between the two.
_POST_STEPS = ((16.0, 1.5), (14.0, 1.25), (12.0, 1.1))
# Wall steel and trim above a ladder's comfortable reach go up from a lift; common
# practice, no source.
_WALL_STEPS = ((16.0, 1.1), (14.0, 1.05))
# Meeting an old roof line and wall; common practice, no source.
EXTENSION_FACTOR = 1.1
# Labor hours to put right what an inspection found, by rework phase of the crew: half a day of
# two people or a little more. Common practice, no source; the office sets what it takes.
STARTER_REWORK_HOURS = {"HOLE_REWORK": 8.0, "FRAME_REWORK": 8.0, "FINAL_REWORK": 6.0}


@dataclass(frozen=True, slots=True)
class LaborItem:
    """One quantity of the take-off times its rate."""

    label: str
    quantity: float
    unit: str
    hours_per_unit: float
    hours: float


@dataclass(frozen=True, slots=True)
class PhaseLabor:
    """Labor hours of one crew phase, with the sum that gives them."""

    phase: str
    setup_hours: float
    items: tuple[LaborItem, ...]
    factor: float
    hours: float
    arithmetic: str


@dataclass(frozen=True, slots=True)
class _Recipe:
    """Which rate each quantity of a phase takes, and which factors apply."""

    phase: str
    work: tuple[tuple[str, str], ...]
    setup: str = ""
    factors: tuple[str, ...] = ()


_RECIPES = (
    _Recipe("LAYOUT", (("skirt_lf", "layout_lf"),), setup="setup_layout"),
    _Recipe("DIG", (("holes", "auger_hole"),), factors=("soil",)),
    _Recipe("POUR", (("poured_pads", "pour_pad"),)),
    _Recipe(
        "POSTS",
        (
            ("precast_piers", "precast_pier"),
            ("brackets", "bracket"),
            ("posts", "set_post"),
            ("jamb_posts", "set_post"),
            ("lean_to_posts", "set_post"),
        ),
        factors=("tall_posts",),
    ),
    _Recipe(
        "FRAME",
        (
            ("footprint_sf", "unload_sf"),
            ("skirt_board_lf", "skirt_girt_lf"),
            ("girt_lf", "skirt_girt_lf"),
            ("gable_girt_lf", "skirt_girt_lf"),
            ("inside_girt_lf", "skirt_girt_lf"),
            ("lean_to_girt_lf", "skirt_girt_lf"),
            ("eave_carrier_lf", "eave_carrier_lf"),
        ),
        setup="setup_frame",
        factors=("extension",),
    ),
    _Recipe(
        "TRUSSES",
        (
            ("trusses", "truss"),
            ("lean_to_rafters", "rafter"),
            ("purlin_lf", "purlin_lf"),
            ("lean_to_purlin_lf", "purlin_lf"),
        ),
        factors=("extension",),
    ),
    _Recipe(
        "ROOF",
        (
            ("roof_sf", "roof_sf"),
            ("lean_to_roof_sf", "roof_sf"),
            ("condensation_blanket_sf", "blanket_sf"),
        ),
        factors=("extension",),
    ),
    _Recipe(
        "WALLS",
        (("wall_sf", "wall_sf"), ("lean_to_wall_sf", "wall_sf")),
        factors=("tall_walls", "extension"),
    ),
    _Recipe(
        "TRIM",
        (
            ("corner_lf", "trim_lf"),
            ("base_trim_lf", "trim_lf"),
            ("opening_trim_lf", "trim_lf"),
            ("wainscot_trim_lf", "trim_lf"),
        ),
        factors=("tall_walls",),
    ),
    _Recipe(
        "DOORS",
        (
            ("walk_doors", "walk_door"),
            ("windows", "window"),
            ("sliding_doors", "sliding_door"),
        ),
    ),
    _Recipe(
        "INSULATION",
        (
            ("wall_batts_sf", "batts_sf"),
            ("ceiling_batts_sf", "batts_sf"),
            ("blown_sf", "blown_sf"),
        ),
        setup="setup_insulation",
    ),
    _Recipe(
        "LINER",
        (("ceiling_liner_sf", "ceiling_liner_sf"), ("wall_liner_sf", "wall_liner_sf")),
        setup="setup_liner",
    ),
    _Recipe("PUNCH", (("footprint_sf", "clean_sf"),), setup="setup_punch"),
)


def phase_labor(
    *, building: Building, take_off: TakeOff, rates: Mapping[str, Rate] = STARTER_RATES
) -> tuple[PhaseLabor, ...]:
    """
    Return the labor hours of every crew phase of a building, in build order.

    Hours are (set-up + the sum of quantity × typical rate) × the factors for
    soil, tall walls and joining an old building. Work by others (slab,
    overhead doors) is not in them. ``rates`` may name only those a firm has
    of its own; the rest are starter values. An unknown code raises ValueError.
    """
    unknown = sorted(set(rates) - set(STARTER_RATES))
    if unknown:
        raise ValueError(
            f"rates {', '.join(unknown)}: no such rate. Enter any of {', '.join(STARTER_RATES)}."
        )
    merged = {**STARTER_RATES, **rates}
    phases = (_one_phase(recipe, building, take_off, merged) for recipe in _RECIPES)
    return tuple(phase for phase in phases if phase.items)


def total_hours(phases: tuple[PhaseLabor, ...]) -> float:
    """Return the labor hours of all phases together."""
    return sum(phase.hours for phase in phases)


def _one_phase(
    recipe: _Recipe, building: Building, take_off: TakeOff, rates: Mapping[str, Rate]
) -> PhaseLabor:
    items = []
    for code, rate_code in recipe.work:
        quantity = _quantity(code, building, take_off)
        if quantity > 0:
            rate = rates[truss_rate_code(building.width_ft) if rate_code == "truss" else rate_code]
            label = take_off.line(code).label if code in take_off else rate.label
            hours = quantity * rate.typical
            items.append(LaborItem(label, quantity, rate.unit, rate.typical, hours))
    setup_hours = rates[recipe.setup].typical if recipe.setup else 0.0
    factors = _factors(recipe.factors, building)
    factor = math.prod(value for value, _ in factors)
    hours = (setup_hours + sum(item.hours for item in items)) * factor
    arithmetic = _arithmetic(setup_hours, items, factors, hours)
    return PhaseLabor(recipe.phase, setup_hours, tuple(items), factor, hours, arithmetic)


def _quantity(code: str, building: Building, take_off: TakeOff) -> float:
    if code == "footprint_sf":
        return building.footprint_sf + sum(x.width_ft * x.length_ft for x in building.lean_tos)
    if code == "poured_pads":
        return take_off["holes"] if take_off["pad_concrete_cy"] > 0 else 0.0
    return take_off[code]


def _factors(names: tuple[str, ...], building: Building) -> list[tuple[float, str]]:
    """Return the factors that change the hours, each with its reason."""
    found = {
        "soil": (SOIL_FACTORS[building.soil], building.soil.label.lower()),
        "tall_posts": (_step(_POST_STEPS, building.eave_ft), f"eave {building.eave_ft:g} ft"),
        "tall_walls": (_step(_WALL_STEPS, building.eave_ft), f"eave {building.eave_ft:g} ft"),
        "extension": (
            EXTENSION_FACTOR if building.extends_existing else 1.0,
            "joins an old building",
        ),
    }
    return [found[name] for name in names if found[name][0] != 1.0]


def _step(steps: tuple[tuple[float, float], ...], eave_ft: float) -> float:
    return next((value for least_ft, value in steps if eave_ft >= least_ft), 1.0)


def _arithmetic(
    setup_hours: float, items: list[LaborItem], factors: list[tuple[float, str]], hours: float
) -> str:
    terms = [number_text(setup_hours)] if setup_hours else []
    terms += [
        f"{number_text(item.quantity, places=1)} × {number_text(item.hours_per_unit, places=5)}"
        for item in items
    ]
    text = " + ".join(terms)
    if factors:
        text = f"({text})" + "".join(f" × {number_text(value)} ({why})" for value, why in factors)
    return f"{text} = {number_text(hours, places=1)} h"
