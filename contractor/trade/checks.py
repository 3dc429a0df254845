"""What a practitioner would refuse in a building, field by field and together."""

import math
from collections.abc import Callable, Iterable, Iterator
from typing import TypeGuard

from contractor.trade.errors import Fault, value_text
from contractor.trade.kinds import (
    Foundation,
    Insulation,
    LeanTo,
    Lining,
    Opening,
    OpeningKind,
    PostKind,
    Soil,
    Use,
)
from contractor.trade.labeled import Labeled
from contractor.trade.specification import Specification

# Field: (least, most, usual). The limits are those of the light post-frame work
# this program plans; common practice, no source.
SIZE_LIMITS: dict[str, tuple[float, float, str]] = {
    "width_ft": (10, 100, "30 to 60"),
    "length_ft": (10, 400, "40 to 120"),
    "eave_ft": (7, 24, "10 to 16"),
    "pitch_in_12": (1, 12, "4"),
    "bay_ft": (2, 12, "8"),
    "truss_spacing_ft": (2, 12, "8"),
    "end_spacing_ft": (4, 16, "10"),
    "overhang_ft": (0, 4, "1"),
    "gable_overhang_ft": (0, 4, "1"),
    "pier_diameter_in": (8, 36, "18"),
    # IRC R403.1.4 (from memory): no footing less than 12 in below undisturbed ground.
    "hole_depth_in": (12, 96, "48"),
    "collar_in": (0, 96, "18"),
    "pad_in": (0, 24, "6"),
    "slab_in": (0, 12, "4 or 5, or 0 for no slab by us"),
    "purlin_spacing_ft": (1, 4, "2"),
    "girt_spacing_ft": (1, 4, "2"),
    "wainscot_ft": (0, 12, "3, or 0 for none"),
}
# The fields that hold one of a list, and the list.
CHOICES: tuple[tuple[str, type[Labeled]], ...] = (
    ("use", Use),
    ("foundation", Foundation),
    ("post_kind", PostKind),
    ("insulation", Insulation),
    ("wall_lining", Lining),
    ("ceiling_lining", Lining),
    ("soil", Soil),
)
STEEL_GAUGES = (24, 26, 28, 29)
OPENING_LIMITS: dict[str, dict[str, tuple[float, float, str]]] = {
    OpeningKind.WALK_DOOR: {"width_ft": (2, 8, "3"), "height_ft": (6, 10, "7")},
    OpeningKind.SLIDING_DOOR: {"width_ft": (4, 40, "12"), "height_ft": (6, 24, "10")},
    # Sectional doors are made to 24 ft wide; common practice, no source.
    OpeningKind.OVERHEAD_DOOR: {"width_ft": (6, 24, "10"), "height_ft": (6, 24, "10")},
    OpeningKind.WINDOW: {"width_ft": (1, 12, "3"), "height_ft": (1, 8, "3")},
}
LEAN_TO_LIMITS: dict[str, tuple[float, float, str]] = {
    "width_ft": (4, 40, "12"),
    "length_ft": (4, 400, "the length of the building"),
    "low_eave_ft": (6, 22, "8"),
}
# Spring, track and top panel need this much above the opening; common practice, no source.
LEAST_HEADROOM_FT = 1.0
LEAST_LEAN_TO_PITCH = 1.0
_MOST_ALIKE = 60


def faults_of(building: Specification) -> tuple[Fault, ...]:
    """Return every fault of a building, in field order; empty when it can be built."""
    faults = [*_field_faults(building), *_opening_faults(building), *_lean_to_faults(building)]
    spoiled = {fault.field.split("[")[0] for fault in faults}
    for needs, check in _TOGETHER:
        if spoiled.isdisjoint(needs):
            faults.extend(check(building))
    return tuple(faults)


def is_number(value: object) -> TypeGuard[float]:
    """Return whether a value is a finite number; True and False are not numbers here."""
    return isinstance(value, int | float) and not isinstance(value, bool) and _is_finite(value)


def _is_finite(value: float) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def _size_fault(field: str, value: object, limits: tuple[float, float, str]) -> Fault | None:
    least, most, usual = limits
    remedy = f"Enter {least:g} to {most:g}, usually {usual}."
    if not is_number(value):
        return Fault(field, value, "this is not a number", remedy)
    if not least <= value <= most:
        side = "too small" if value < least else "too large"
        return Fault(field, value, f"this is {side}", remedy)
    return None


def _choice_fault(field: str, value: object, choice: type[Labeled]) -> Fault | None:
    if isinstance(value, choice):
        return None
    return Fault(
        field, value, "this is not one of the choices", f"Enter one of {', '.join(choice)}."
    )


def _flag_fault(field: str, value: object) -> Fault | None:
    if isinstance(value, bool):
        return None
    return Fault(field, value, "this is neither yes nor no", "Enter True or False.")


def _field_faults(building: Specification) -> Iterator[Fault]:
    found = [
        *(_size_fault(f, getattr(building, f), limits) for f, limits in _own_limits(building)),
        *(_choice_fault(field, getattr(building, field), choice) for field, choice in CHOICES),
        _flag_fault("extends_existing", building.extends_existing),
    ]
    yield from (fault for fault in found if fault)
    for field in ("roof_gauge", "wall_gauge", "liner_gauge"):
        value = getattr(building, field)
        if type(value) is not int or value not in STEEL_GAUGES:
            gauges = ", ".join(str(gauge) for gauge in STEEL_GAUGES)
            yield Fault(field, value, "steel is not sold in this gauge", f"Enter one of {gauges}.")


def _own_limits(building: Specification) -> Iterator[tuple[str, tuple[float, float, str]]]:
    for field, limits in SIZE_LIMITS.items():
        # A bay longer than the building has its own, clearer message.
        if field == "bay_ft" and _bay_exceeds_length(building):
            continue
        yield field, limits


def _bay_exceeds_length(building: Specification) -> bool:
    least, most, _ = SIZE_LIMITS["length_ft"]
    return (
        is_number(building.bay_ft)
        and is_number(building.length_ft)
        and least <= building.length_ft <= most
        and building.bay_ft > building.length_ft
    )


def _opening_faults(building: Specification) -> Iterator[Fault]:
    if not isinstance(building.openings, tuple):
        yield Fault(
            "openings", building.openings, "this is not a list", "Enter a list of openings."
        )
        return
    for index, opening in enumerate(building.openings):
        where = f"openings[{index}]"
        if not isinstance(opening, Opening):
            yield Fault(where, opening, "this is not an opening", "Enter an Opening.")
            continue
        wrong_kind = _choice_fault(f"{where}.kind", opening.kind, OpeningKind)
        if wrong_kind:
            yield wrong_kind
        else:
            for field, limits in OPENING_LIMITS[opening.kind].items():
                fault = _size_fault(f"{where}.{field}", getattr(opening, field), limits)
                if fault:
                    yield fault
        count = opening.count
        if type(count) is not int or not 1 <= count <= _MOST_ALIKE:
            remedy = f"Enter a whole number from 1 to {_MOST_ALIKE}."
            yield Fault(f"{where}.count", count, "this is not a count of openings", remedy)


def _lean_to_faults(building: Specification) -> Iterator[Fault]:
    if not isinstance(building.lean_tos, tuple):
        yield Fault(
            "lean_tos", building.lean_tos, "this is not a list", "Enter a list of lean-tos."
        )
        return
    for index, lean_to in enumerate(building.lean_tos):
        where = f"lean_tos[{index}]"
        if not isinstance(lean_to, LeanTo):
            yield Fault(where, lean_to, "this is not a lean-to", "Enter a LeanTo.")
            continue
        found = [
            *(
                _size_fault(f"{where}.{field}", getattr(lean_to, field), limits)
                for field, limits in LEAN_TO_LIMITS.items()
            ),
            _flag_fault(f"{where}.enclosed", lean_to.enclosed),
        ]
        yield from (fault for fault in found if fault)


def _bay_within_length(building: Specification) -> Iterator[Fault]:
    yield from _within_length(building, "bay_ft", "a bay")


def _truss_spacing_within_length(building: Specification) -> Iterator[Fault]:
    yield from _within_length(building, "truss_spacing_ft", "the truss spacing")


def _within_length(building: Specification, field: str, what: str) -> Iterator[Fault]:
    value = getattr(building, field)
    if value > building.length_ft:
        length = value_text(float(building.length_ft))
        yield Fault(
            field,
            value,
            f"{what} cannot be longer than the building ({length} ft)",
            f"Enter {value_text(min(float(building.length_ft), 12.0))} or less, usually 8.",
        )


def _hole_holds_concrete(building: Specification) -> Iterator[Fault]:
    if building.foundation == Foundation.SLAB_BRACKET:
        return
    fill_in = building.pad_in + building.collar_in
    if fill_in > building.hole_depth_in:
        yield Fault(
            "collar_in",
            building.collar_in,
            f"pad and collar ({fill_in:g} in) are deeper than the hole "
            f"({building.hole_depth_in:g} in)",
            f"Enter {max(building.hole_depth_in - building.pad_in, 0):g} or less, "
            "or a deeper hole.",
        )


def _slab_under_brackets(building: Specification) -> Iterator[Fault]:
    if building.foundation == Foundation.SLAB_BRACKET and building.slab_in <= 0:
        yield Fault(
            "slab_in",
            building.slab_in,
            "brackets need a slab to be bolted to",
            "Enter the thickness of the slab, usually 4 to 6, or choose a pier.",
        )


def _steel_ceiling_spans(building: Specification) -> Iterator[Fault]:
    """26 gauge spans 8 ft between trusses, lighter steel 4 ft; common practice, no source."""
    if building.ceiling_lining != Lining.STEEL:
        return
    spacing_ft = building.truss_spacing_ft
    if spacing_ft > 8:
        yield Fault(
            "truss_spacing_ft",
            spacing_ft,
            "ceiling steel does not span more than 8 ft",
            "Enter 8 or less under a steel ceiling.",
        )
    elif spacing_ft > 4 and building.liner_gauge > 26:
        yield Fault(
            "liner_gauge",
            building.liner_gauge,
            f"this ceiling steel is too light for trusses {spacing_ft:g} ft apart",
            "Enter 26, or put the trusses 4 ft apart or closer.",
        )


def _drywall_ceiling_spans(building: Specification) -> Iterator[Fault]:
    if building.ceiling_lining == Lining.DRYWALL_READY and building.truss_spacing_ft > 2:
        yield Fault(
            "truss_spacing_ft",
            building.truss_spacing_ft,
            "a ceiling ready for drywall needs trusses 2 ft apart",
            "Enter 2, or choose another ceiling.",
        )


def _wainscot_below_half(building: Specification) -> Iterator[Fault]:
    if building.wainscot_ft > building.eave_ft / 2:
        yield Fault(
            "wainscot_ft",
            building.wainscot_ft,
            "a wainscot higher than half the wall is not a wainscot",
            f"Enter {building.eave_ft / 2:g} or less, usually 3.",
        )


def _openings_under_eave(building: Specification) -> Iterator[Fault]:
    for index, opening in enumerate(building.openings):
        overhead = opening.kind == OpeningKind.OVERHEAD_DOOR
        most_ft = building.eave_ft - (LEAST_HEADROOM_FT if overhead else 0)
        if opening.height_ft <= most_ft:
            continue
        message = f"this is taller than the eave ({building.eave_ft:g} ft) allows"
        if overhead:
            message += "; an overhead door needs at least 12 in of headroom"
        yield Fault(
            f"openings[{index}].height_ft",
            opening.height_ft,
            message,
            f"Enter {most_ft:g} or less, or a higher eave.",
        )


def wall_needed_ft(opening: Opening) -> float:
    """
    Return the run of wall that one opening takes up.

    A slider needs as much clear wall again to slide over; half a foot of
    jamb stands on each side. Common practice, no source.
    """
    leaves = 2 if opening.kind == OpeningKind.SLIDING_DOOR else 1
    return leaves * opening.width_ft + 1


def _openings_fit_walls(building: Specification) -> Iterator[Fault]:
    longest_ft = max(building.width_ft, building.length_ft)
    for index, opening in enumerate(building.openings):
        needed_ft = wall_needed_ft(opening)
        if needed_ft > longest_ft:
            yield Fault(
                f"openings[{index}].width_ft",
                opening.width_ft,
                f"this needs {needed_ft:g} ft of wall and the longest wall is {longest_ft:g} ft",
                "Enter a narrower opening or a longer building.",
            )
    total_ft = sum(wall_needed_ft(opening) * opening.count for opening in building.openings)
    if total_ft > building.wall_run_ft:
        count = sum(opening.count for opening in building.openings)
        yield Fault(
            "openings",
            count,
            f"these openings need {total_ft:g} ft of wall and the walls are "
            f"{building.wall_run_ft:g} ft long in all",
            "Enter fewer or narrower openings.",
        )


def _lean_tos_fit(building: Specification) -> Iterator[Fault]:
    for index, lean_to in enumerate(building.lean_tos):
        where = f"lean_tos[{index}]"
        if lean_to.length_ft > building.length_ft:
            yield Fault(
                f"{where}.length_ft",
                lean_to.length_ft,
                f"a lean-to cannot be longer than the building ({building.length_ft:g} ft)",
                f"Enter {building.length_ft:g} or less.",
            )
        most_ft = building.eave_ft - lean_to.width_ft * LEAST_LEAN_TO_PITCH / 12
        if lean_to.low_eave_ft > most_ft:
            yield Fault(
                f"{where}.low_eave_ft",
                lean_to.low_eave_ft,
                f"its high side would be above the eave ({building.eave_ft:g} ft) "
                "with even 1 in 12 of fall",
                f"Enter {most_ft:.2f} or less, or a narrower lean-to.",
            )
    total_ft = sum(lean_to.length_ft for lean_to in building.lean_tos)
    if total_ft > 2 * building.length_ft:
        yield Fault(
            "lean_tos",
            len(building.lean_tos),
            f"lean-tos of {total_ft:g} ft do not fit along two sides of {building.length_ft:g} ft",
            "Enter fewer or shorter lean-tos.",
        )


_TOGETHER: tuple[tuple[frozenset[str], Callable[[Specification], Iterable[Fault]]], ...] = (
    (frozenset({"bay_ft", "length_ft"}), _bay_within_length),
    (frozenset({"truss_spacing_ft", "length_ft"}), _truss_spacing_within_length),
    (frozenset({"foundation", "pad_in", "collar_in", "hole_depth_in"}), _hole_holds_concrete),
    (frozenset({"foundation", "slab_in"}), _slab_under_brackets),
    (frozenset({"ceiling_lining", "truss_spacing_ft", "liner_gauge"}), _steel_ceiling_spans),
    (frozenset({"ceiling_lining", "truss_spacing_ft"}), _drywall_ceiling_spans),
    (frozenset({"wainscot_ft", "eave_ft"}), _wainscot_below_half),
    (frozenset({"openings", "eave_ft"}), _openings_under_eave),
    (
        frozenset({"openings", "width_ft", "length_ft", "extends_existing"}),
        _openings_fit_walls,
    ),
    (frozenset({"lean_tos", "length_ft", "eave_ft"}), _lean_tos_fit),
)
