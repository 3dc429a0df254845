"""What is allowed but unusual in a building, and what can hurt people."""

from collections.abc import Iterator

from contractor.trade.errors import Caution
from contractor.trade.kinds import Foundation, Insulation, Lining, OpeningKind, PostKind
from contractor.trade.specification import LONGEST_SOLID_POST_FT, Specification

# Cast footings are at least so thick: IRC R403.1.1 (from memory).
CODE_FOOTING_IN = 6.0


def cautions_of(building: Specification) -> tuple[Caution, ...]:
    """Return the cautions of a valid building: ground first, then frame, then fittings."""
    return (
        *_ground(building),
        *_frame(building),
        *_roof(building),
        *_fittings(building),
    )


def _ground(building: Specification) -> Iterator[Caution]:
    yield Caution(
        "foundation",
        building.foundation,
        "Digging can hit buried lines: have the public lines marked and the ticket live on the "
        "day, and ask the owner about private lines, which nobody marks.",
    )
    if building.foundation == Foundation.SLAB_BRACKET:
        return
    if building.hole_depth_in < 48:
        yield Caution(
            "hole_depth_in",
            building.hole_depth_in,
            "Shallower than 48 in: footings must go below the local frost line; the authority "
            "and the engineer's drawings decide the depth.",
        )
    if building.pad_in < CODE_FOOTING_IN:
        precast = building.foundation == Foundation.PRECAST_PIER
        yield Caution(
            "pad_in",
            building.pad_in,
            ("A precast pad waits for no cure, but " if precast else "A pad ")
            + f"under {CODE_FOOTING_IN:g} in thick "
            + ("it is" if precast else "is")
            + " not a code footing; ask the authority before ordering.",
        )


def _frame(building: Specification) -> Iterator[Caution]:
    if building.eave_ft >= 16:
        yield Caution(
            "eave_ft",
            building.eave_ft,
            "Walls of 16 ft and more: tall posts need bracing while they stand alone and more "
            "hours; follow the engineer's drawings and fall protection rules.",
        )
    if building.width_ft >= 60:
        # IBC 2303.4.1.3 (from memory).
        yield Caution(
            "width_ft",
            building.width_ft,
            "Trusses of 60 ft and more need temporary and permanent bracing designed by a "
            "registered engineer.",
        )
    # As sold, not as laid out: 60 ft in 8 ft bays stands at 7.5 ft, trusses and posts alike.
    if building.truss_spacing_ft > building.bay_ft:
        yield Caution(
            "truss_spacing_ft",
            building.truss_spacing_ft,
            "Trusses farther apart than the posts: check the truss drawings.",
        )
    if building.post_kind == PostKind.SOLID and building.post_length_ft > LONGEST_SOLID_POST_FT:
        yield Caution(
            "post_kind",
            building.post_kind,
            f"Solid posts of {building.post_length_ft:.1f} ft are hard to get straight; "
            f"laminated posts are usual above {LONGEST_SOLID_POST_FT:g} ft.",
        )
    if building.bay_ft > 10:
        yield Caution(
            "bay_ft", building.bay_ft, "Bays over 10 ft: purlins and girts need engineering."
        )


def _roof(building: Specification) -> Iterator[Caution]:
    if building.pitch_in_12 < 3:
        yield Caution(
            "pitch_in_12",
            building.pitch_in_12,
            "Under 3 in 12 screw-down roof steel needs sealed laps; check the maker's least pitch.",
        )
    if building.pitch_in_12 > 6:
        yield Caution(
            "pitch_in_12",
            building.pitch_in_12,
            "Steeper than 6 in 12 a crew cannot walk the roof without tied-off roof gear.",
        )
    if building.purlin_spacing_ft > 2:
        yield Caution(
            "purlin_spacing_ft",
            building.purlin_spacing_ft,
            "Purlins farther apart than 2 ft: check the steel maker's load table.",
        )
    for index, lean_to in enumerate(building.lean_tos):
        pitch = 12 * (building.eave_ft - lean_to.low_eave_ft) / lean_to.width_ft
        if pitch < 3:
            yield Caution(
                f"lean_tos[{index}].low_eave_ft",
                lean_to.low_eave_ft,
                f"The lean-to roof falls only {pitch:.1f} in 12; check the steel maker's least "
                "pitch and the snow that slides onto it.",
            )


def _fittings(building: Specification) -> Iterator[Caution]:
    for index, opening in enumerate(building.openings):
        headroom_ft = building.eave_ft - opening.height_ft
        if opening.kind == OpeningKind.OVERHEAD_DOOR and headroom_ft < 1.5:
            yield Caution(
                f"openings[{index}].height_ft",
                opening.height_ft,
                f"Only {headroom_ft * 12:.0f} in of headroom: order low-headroom track.",
            )
        if opening.kind != OpeningKind.WALK_DOOR and opening.width_ft > building.actual_bay_ft:
            yield Caution(
                f"openings[{index}].width_ft",
                opening.width_ft,
                "Wider than a bay: the header over it must come from the engineer's drawings.",
            )
    if building.insulation == Insulation.BLOWN_AND_BATTS and building.ceiling_lining == Lining.NONE:
        yield Caution(
            "insulation",
            building.insulation,
            "Blown insulation needs a ceiling to lie on, and this building has none.",
        )
