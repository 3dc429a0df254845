"""
The network of one job: its phases, what each follows, and what must cure first.

A full set of links is cut down to the phases that the building has; links
bridge over the absent ones. Waits are starter values (common practice, no
source); the engineer's drawings and the authority come first.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace

from contractor.trade.building import Building
from contractor.trade.follows import (
    CureNeed,
    Follows,
    JobNetwork,
    bridged,
    build_order,
    without_implied,
)
from contractor.trade.kinds import Foundation, Insulation, Lining, OpeningKind, Use
from contractor.trade.labeled import Labeled
from contractor.trade.phase_table import (
    INSPECTIONS,
    PHASE_TABLE,
    REWORK,
    REWORK_OF,
    Performer,
    PhaseKind,
)

__all__ = [
    "CURE_LINKS",
    "FRAME_HOLDS",
    "INSPECTIONS",
    "PHASE_TABLE",
    "REWORK",
    "REWORK_OF",
    "CureNeed",
    "Follows",
    "JobNetwork",
    "Performer",
    "PhaseKind",
    "WaitKind",
    "build_order",
    "job_network",
]


class WaitKind(Labeled):
    """Time in which no crew works on the job."""

    CURE = "CURE"
    INSPECTION_NOTICE = "INSPECTION_NOTICE"
    LOCATE = "LOCATE"
    DELIVERY = "DELIVERY"
    PERMIT = "PERMIT"


# 500 psi of a 3,000 psi mix, the strength that survives one freeze: ACI 306R (from memory).
PAD_CURE = CureNeed(strength_share=0.17, cement="I", minimum_hours=24, buried=True)
# About 2.4 days at 68 °F and 4.4 at 50 °F; common practice, no source.
COLLAR_CURE = CureNeed(strength_share=0.40, cement="I", minimum_hours=48, buried=True)
# Girts load a braced post little: the day after; common practice, no source.
GIRT_CURE = CureNeed(strength_share=0.17, cement="I", minimum_hours=16, buried=True)
SLAB_FOOT_CURE = CureNeed(strength_share=0.17, cement="I", minimum_hours=24)
# Brackets bolted to young concrete wait 3 to 7 days; common practice, no source.
BRACKET_CURE = CureNeed(strength_share=0.60, cement="I", minimum_hours=72)
# A lift on a slab waits about 7 days; common practice, no source.
SLAB_LIFT_CURE = CureNeed(strength_share=0.70, cement="I", minimum_hours=72)

_PASS = "No work past an inspection point before it is passed (IRC R109.4, from memory)."
_REST = "The inspector has still to pass the rest. Work only on what was released."
# What a frame inspection may hold, by authority: some want the frame bare of all steel, some see
# it under the roof, some only before it is covered from inside; common practice, no source.
FRAME_HOLDS = ("ROOF", "WALLS", "INSULATION", "LINER")
_SHELL = (
    Follows("FRAME", "TRUSSES", why="Trusses stand on the eave carriers."),
    Follows("TRUSSES", "FRAME_INSPECTION", why="The frame must stand and be braced."),
    Follows("TRUSSES", "ROOF", why="Roof steel goes on purlins."),
    Follows("ROOF", "WALLS", why="Wall steel tucks under the roof edge."),
    Follows("WALLS", "TRIM", why="Corners cover the edges of the wall steel."),
    Follows("WALLS", "DOORS", why="Doors hang on finished walls."),
    Follows("TRIM", "OVERHEAD_DOORS", why="The tracks mount on trimmed jambs."),
    Follows("WALLS", "ROUGH_TRADES", why="Wiring goes in under cover."),
    Follows("ROUGH_TRADES", "INSULATION", why="Wires lie behind the insulation."),
    Follows("DOORS", "INSULATION", why="The building must be closed in."),
    Follows("ROUGH_TRADES", "LINER", why="Wires lie behind the liner."),
    Follows("DOORS", "LINER", why="Liner is cut around the door frames."),
    Follows(
        "INSULATION",
        "LINER",
        start_to_start=True,
        lag_hours=4,
        why="Liner may follow the insulation along the walls.",
    ),
    *(
        Follows(before, "PUNCH", why="Everything is done before the walk-through.")
        for before in (
            "TRIM",
            "DOORS",
            "OVERHEAD_DOORS",
            "ROUGH_TRADES",
            "INSULATION",
            "LINER",
            "SLAB",
        )
    ),
    Follows("PUNCH", "FINAL_INSPECTION", why="The authority sees finished work."),
)
_HOLES = (
    # A crew of four is digging within about two hours of arriving; common practice, no source.
    Follows("LAYOUT", "DIG", why="Holes are dug where the strings cross.", same_visit=True),
    Follows("DIG", "HOLE_INSPECTION", why="The authority sees open holes."),
)
_SLAB_LATE = (
    Follows("WALLS", "SLAB_INSPECTION", why="The slab is prepared under the finished shell."),
    Follows("SLAB_INSPECTION", "SLAB", why=_PASS),
    Follows("SLAB", "OVERHEAD_DOORS", cure=SLAB_FOOT_CURE, why="The door seals on the slab."),
    Follows("SLAB", "LINER", cure=SLAB_LIFT_CURE, why="The lift stands on the slab."),
)
_GROUND: dict[Foundation, tuple[Follows, ...]] = {
    Foundation.POURED_PIER: (
        *_HOLES,
        Follows("HOLE_INSPECTION", "POUR", why=_PASS),
        Follows("POUR", "POSTS", cure=PAD_CURE, why="Posts stand on the poured pads."),
        Follows("POSTS", "FRAME", cure=GIRT_CURE, why="Girts go on the day after the collars."),
        Follows("POSTS", "TRUSSES", cure=COLLAR_CURE, why="Trusses load the poured collars."),
        *_SLAB_LATE,
    ),
    Foundation.PRECAST_PIER: (
        *_HOLES,
        Follows("HOLE_INSPECTION", "POSTS", why=_PASS),
        Follows("POSTS", "FRAME", why="Precast piers are full strength when they arrive."),
        *_SLAB_LATE,
    ),
    Foundation.SLAB_BRACKET: (
        Follows("LAYOUT", "SLAB_INSPECTION", why="The authority sees forms and steel."),
        Follows("SLAB_INSPECTION", "SLAB", why=_PASS),
        Follows("SLAB", "POSTS", cure=BRACKET_CURE, why="Brackets are bolted to the slab."),
        Follows("SLAB", "TRUSSES", cure=SLAB_LIFT_CURE, why="The lift stands on the slab."),
        Follows("POSTS", "FRAME", why="Girts and trusses hang on the posts."),
    ),
}

# Every pair of a phase that pours and one that waits for its strength, with the starter value.
CURE_LINKS: dict[tuple[str, str], CureNeed] = {
    (link.before, link.after): link.cure
    for links in _GROUND.values()
    for link in links
    if link.cure is not None
}


def job_network(
    *,
    building: Building,
    inspections: frozenset[str],
    frame_holds: str = "WALLS",
    rework: frozenset[str] = frozenset(),
    partly_passed: frozenset[str] = frozenset(),
) -> JobNetwork:
    """
    Return the phases, links, deliveries and digging of one building.

    ``inspections`` are the phases that the authority requires; those that
    this building does not reach (holes of a bracketed slab) are left out.
    ``frame_holds`` is the phase that waits for the frame inspection. A phase of
    ``rework`` comes between the work that failed and its inspection. One of
    ``partly_passed`` lets the phase it holds begin, and holds what follows that
    phase instead. An unknown code in any of these raises ValueError.
    """
    _refuse_unknown("inspections", inspections, INSPECTIONS)
    _refuse_unknown("rework", rework, REWORK)
    _refuse_unknown("partly_passed", partly_passed, INSPECTIONS)
    _refuse_unknown("frame_holds", {frame_holds}, frozenset(FRAME_HOLDS))
    asked = inspections | rework
    present = {code for code in PHASE_TABLE if _applies(code, building, asked)}
    present -= {code for of, code in REWORK_OF.items() if of not in present}
    links = [*_ground_links(building), *_SHELL, *_frame_links(frame_holds, present)]
    follows = bridged(_with_rework(links, present), present)
    follows = without_implied(_with_parts_passed(follows, partly_passed & present))
    order = build_order(present, follows)
    rank = {code: index for index, code in enumerate(order)}
    return JobNetwork(
        phases=order,
        follows=tuple(sorted(follows, key=lambda link: (rank[link.before], rank[link.after]))),
        deliveries=tuple(pair for pair in _deliveries(building) if pair[1] in present),
        dig_phases=tuple(code for code in _digging(building) if code in present),
    )


def _refuse_unknown(field: str, given: Iterable[str], known: frozenset[str]) -> None:
    unknown = sorted(set(given) - known)
    if unknown:
        raise ValueError(
            f"{field} {', '.join(unknown)}: not known here. "
            f"Enter any of {', '.join(sorted(known))}."
        )


def _ground_links(building: Building) -> Iterator[Follows]:
    for link in _GROUND[building.foundation]:
        no_collar = link.cure in (GIRT_CURE, COLLAR_CURE) and building.collar_in == 0
        yield replace(link, cure=None, why="Tamped fill does not cure.") if no_collar else link


def _frame_links(holds: str, present: set[str]) -> Iterator[Follows]:
    yield Follows("FRAME_INSPECTION", holds, why=_PASS)
    if holds in ("INSULATION", "LINER"):
        # IRC R109.1.4 (from memory): roof and bracing in place, rough trades approved.
        yield Follows("ROOF", "FRAME_INSPECTION", why="The frame is seen under its roof.")
        if "ROUGH_TRADES" in present:
            yield Follows("ROUGH_TRADES", "FRAME_INSPECTION", why="Wires are seen before cover.")


def _with_rework(links: list[Follows], present: set[str]) -> list[Follows]:
    """Return the links with the rework that is present between what was seen and its visit."""
    for inspection, rework in REWORK_OF.items():
        if rework in present:
            seen = [link.before for link in links if link.after == inspection]
            links = [
                *links,
                *(
                    Follows(code, rework, why="The inspector saw it and failed it.")
                    for code in seen
                ),
                Follows(rework, inspection, why="Corrected before it is seen again."),
            ]
    return links


def _with_parts_passed(links: list[Follows], partly_passed: Iterable[str]) -> list[Follows]:
    """Return the links with what a part-passed inspection holds begun, and what follows it held."""
    for inspection in sorted(partly_passed):
        held = {link.after for link in links if link.before == inspection}
        seen = {link.before for link in links if link.after == inspection}
        behind = {link.after for link in links if link.before in held} - held
        links = [
            *(link for link in links if link.before != inspection),
            *(Follows(code, phase, why=_REST) for code in sorted(seen) for phase in sorted(held)),
            *(Follows(inspection, phase, why=_REST) for phase in sorted(behind)),
        ]
    return links


def _applies(code: str, building: Building, asked: frozenset[str]) -> bool:
    bracketed = building.foundation == Foundation.SLAB_BRACKET
    slab = building.slab_in > 0
    kinds = {opening.kind for opening in building.openings}
    insulated = building.insulation in (Insulation.BATTS, Insulation.BLOWN_AND_BATTS)
    linings = {building.wall_lining, building.ceiling_lining}
    rules = {
        "DIG": not bracketed,
        "HOLE_INSPECTION": not bracketed and code in asked,
        # Pads are a phase of their own; collars are poured while the posts are set.
        "POUR": building.foundation == Foundation.POURED_PIER and building.pad_in > 0,
        "SLAB_INSPECTION": slab and code in asked,
        "SLAB": slab,
        "FRAME_INSPECTION": code in asked,
        "FINAL_INSPECTION": code in asked,
        "OVERHEAD_DOORS": OpeningKind.OVERHEAD_DOOR in kinds,
        "DOORS": bool(kinds - {OpeningKind.OVERHEAD_DOOR}),
        "ROUGH_TRADES": building.use == Use.HOUSE_SHELL or insulated or linings != {Lining.NONE},
        "INSULATION": insulated,
        "LINER": Lining.STEEL in linings,
    }
    return code in asked if code in REWORK else rules.get(code, True)


def _deliveries(building: Building) -> Iterator[tuple[str, str]]:
    if building.foundation == Foundation.POURED_PIER and building.pad_in + building.collar_in > 0:
        yield ("CONCRETE", "POUR" if building.pad_in > 0 else "POSTS")
    if building.foundation == Foundation.PRECAST_PIER:
        yield ("PRECAST_PIERS", "POSTS")
    yield ("POSTS", "POSTS")
    yield ("TRUSSES", "TRUSSES")
    yield ("STEEL", "ROOF")
    yield ("OVERHEAD_DOORS", "OVERHEAD_DOORS")
    yield ("WINDOWS_AND_DOORS", "DOORS")
    blanket = building.insulation == Insulation.CONDENSATION_BLANKET
    yield ("INSULATION", "ROOF" if blanket else "INSULATION")
    yield ("LINER", "LINER")


def _digging(building: Building) -> tuple[str, ...]:
    # The thickened edge of a bracketed slab is dug by the concrete trade.
    bracketed = building.foundation == Foundation.SLAB_BRACKET
    return ("SLAB",) if bracketed else ("DIG", "HOLE_REWORK")
