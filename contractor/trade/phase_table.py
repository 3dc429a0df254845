"""The phases of a job: who performs each, with what, and in what weather."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from contractor.trade.labeled import Labeled
from contractor.trade.weather import WeatherGate


class Performer(Labeled):
    """Who does the work; an outside trade or an authority occupies no crew."""

    CREW = "CREW"
    AUTHORITY = "AUTHORITY"
    SUB = "SUB"


@dataclass(frozen=True, slots=True)
class PhaseKind:
    """
    One kind of phase.

    ``min_people`` is the least that can do it safely, ``max_people`` the most
    that still help. ``nominal_hours`` is the working time of phases that no
    crew performs. People and hours are common practice, no source.
    """

    code: str
    label: str
    performer: Performer
    skills: frozenset[str]
    min_people: int
    max_people: int
    equipment: frozenset[str]
    weather_gate: str
    caution: str
    nominal_hours: float


def _crew(
    code: str,
    label: str,
    skill: str,
    people: tuple[int, int],
    *,
    equipment: str = "",
    gate: WeatherGate = WeatherGate.NONE,
    caution: str = "",
) -> PhaseKind:
    machines = frozenset({equipment}) if equipment else frozenset()
    return PhaseKind(
        code,
        label,
        Performer.CREW,
        frozenset({skill}),
        people[0],
        people[1],
        machines,
        gate.value,
        caution,
        0.0,
    )


def _other(
    code: str,
    label: str,
    performer: Performer,
    nominal_hours: float,
    *,
    gate: WeatherGate = WeatherGate.NONE,
    caution: str = "",
) -> PhaseKind:
    return PhaseKind(
        code, label, performer, frozenset(), 0, 0, frozenset(), gate.value, caution, nominal_hours
    )


_KINDS = (
    _crew("LAYOUT", "Layout", "LAYOUT", (2, 4)),
    _crew(
        "DIG",
        "Dig holes",
        "AUGER",
        (2, 4),
        equipment="AUGER",
        gate=WeatherGate.GROUND,
        caution="Dig only with a live locate ticket and marks seen on site; private lines are not "
        "marked. Hand-dig near marks. Cover or guard open holes.",
    ),
    _other(
        "HOLE_INSPECTION",
        "Hole inspection",
        Performer.AUTHORITY,
        1.0,
        caution="No concrete before the holes are passed. Keep open holes covered.",
    ),
    _crew(
        "HOLE_REWORK",
        "Rework of holes",
        "AUGER",
        (2, 4),
        gate=WeatherGate.GROUND,
        caution="Deepening and cleaning holes is digging: the locate ticket must be alive, marks "
        "seen on site. Nobody in a hole that can cave in.",
    ),
    _crew(
        "POUR",
        "Pour pads",
        "CONCRETE",
        (2, 5),
        gate=WeatherGate.CONCRETE,
        caution="Never place on frozen ground. Wet concrete burns skin and eyes.",
    ),
    _other("SLAB_INSPECTION", "Slab inspection", Performer.AUTHORITY, 1.0),
    _other("SLAB_REWORK", "Rework of slab forms", Performer.SUB, 4.0),
    _other(
        "SLAB",
        "Slab",
        Performer.SUB,
        16.0,
        gate=WeatherGate.CONCRETE,
        caution="Keep machines off until the slab can carry them; the engineer's drawings decide.",
    ),
    _crew(
        "POSTS",
        "Set posts",
        "FRAMING",
        (3, 5),
        gate=WeatherGate.GROUND,
        caution="Brace every post both ways before letting go. Follow the engineer's drawings for "
        "depth and backfill.",
    ),
    _crew(
        "FRAME",
        "Frame walls",
        "FRAMING",
        (2, 6),
        gate=WeatherGate.WALL,
        caution="Keep the post braces on until the trusses are up and braced.",
    ),
    _crew(
        "TRUSSES",
        "Set trusses and purlins",
        "FRAMING",
        (3, 7),
        equipment="TELEHANDLER",
        gate=WeatherGate.TRUSS,
        caution="Brace each truss as it is set, as the truss bracing documents show; a row of "
        "half-braced trusses can go over in a gust. Nobody under the load. "
        "Keep boom and load clear of power lines.",
    ),
    _other("FRAME_INSPECTION", "Frame inspection", Performer.AUTHORITY, 1.0),
    _crew(
        "FRAME_REWORK",
        "Rework of the frame",
        "FRAMING",
        (2, 4),
        gate=WeatherGate.WALL,
        caution="Keep all bracing on while members are changed; the engineer says how. Fall "
        "protection on.",
    ),
    _crew(
        "ROOF",
        "Roof steel",
        "STEEL",
        (3, 6),
        gate=WeatherGate.ROOF,
        caution="Fall protection on. No walking on wet, frosty or snow-covered steel; no sheets "
        "in wind.",
    ),
    _crew(
        "WALLS",
        "Wall steel",
        "STEEL",
        (2, 5),
        gate=WeatherGate.WALL,
        caution="Sheets catch wind and cut: wear gloves, two people to a long sheet, and keep to "
        "the lift maker's limits.",
    ),
    _crew("TRIM", "Trim and corners", "STEEL", (2, 4), gate=WeatherGate.WALL),
    _other(
        "OVERHEAD_DOORS",
        "Overhead doors",
        Performer.SUB,
        8.0,
        caution="Springs under tension: the door installer only.",
    ),
    _crew("DOORS", "Walk doors, windows, sliding doors", "FINISH", (2, 4)),
    _other("ROUGH_TRADES", "Rough wiring and plumbing", Performer.SUB, 24.0),
    _crew(
        "INSULATION",
        "Insulation",
        "FINISH",
        (2, 4),
        caution="Mask and eye protection; step on framing only.",
    ),
    _crew(
        "LINER",
        "Steel liner",
        "FINISH",
        (2, 5),
        caution="Ceiling sheets go up from a lift or staging with rails; follow the maker's plate.",
    ),
    _other("FINAL_INSPECTION", "Final inspection", Performer.AUTHORITY, 1.0),
    _crew("FINAL_REWORK", "Rework after the final inspection", "FINISH", (2, 4)),
    _crew("PUNCH", "Clean up and punch list", "FINISH", (2, 4)),
)
PHASE_TABLE: Mapping[str, PhaseKind] = MappingProxyType({kind.code: kind for kind in _KINDS})
INSPECTIONS = frozenset(kind.code for kind in _KINDS if kind.performer is Performer.AUTHORITY)
# What puts right that which an inspection found wrong, by inspection.
REWORK_OF: Mapping[str, str] = MappingProxyType(
    {
        "HOLE_INSPECTION": "HOLE_REWORK",
        "SLAB_INSPECTION": "SLAB_REWORK",
        "FRAME_INSPECTION": "FRAME_REWORK",
        "FINAL_INSPECTION": "FINAL_REWORK",
    }
)
REWORK = frozenset(REWORK_OF.values())

# More parts than these are hard to follow; our own.
MOST_PARTS = 4
# Work that is done in one go once it has begun; common practice, no source. The engineer's drawings
# and the maker's instructions come first.
IN_ONE_PIECE: Mapping[str, str] = MappingProxyType(
    {
        "LAYOUT": "layout and digging are one visit",
        "DIG": "layout and digging are one visit under one locate ticket",
        "POUR": "concrete is poured and cures in one piece",
        "POSTS": "concrete is poured and cures in one piece",
        "TRUSSES": "half a row of trusses must not stand without the rest and its bracing",
        **dict.fromkeys(REWORK, "the inspector sees it corrected in one piece"),
    }
)


def why_whole(code: str) -> str:
    """Return why a phase is never done in parts on days apart; nothing where it may be."""
    if PHASE_TABLE[code].performer is not Performer.CREW:
        return "it is not the work of a crew of ours"
    return IN_ONE_PIECE.get(code, "")
