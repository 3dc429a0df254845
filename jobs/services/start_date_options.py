"""The options that a buyer weighs, each as one change to the described building."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from contractor.trade.building import Foundation, Lining, Opening, OpeningKind
from contractor.trade.checks import LEAST_HEADROOM_FT

if TYPE_CHECKING:
    from collections.abc import Callable

    from contractor.trade.building import Building

# A ceiling of 26 gauge spans 8 ft between trusses, lighter steel 4 ft; common practice, no source.
WIDE_LINER_GAUGE = 26
LIGHT_LINER_SPAN_FT = 4
# The overhead door that is added where none is described; common practice, no source.
USUAL_DOOR_FT = (10.0, 8.0)


@dataclass(frozen=True, slots=True)
class Option:
    """One way to build otherwise. Its change may give a building that cannot be built."""

    code: str
    label: str
    change: Callable[[Building], Building]


def options_for(building: Building) -> tuple[Option, ...]:
    """Return the options that would make another building of this one."""
    return tuple(option for option in OPTIONS if _differs(option, building))


def _differs(option: Option, building: Building) -> bool:
    try:
        return option.change(building) != building
    except ValueError:
        return False


def _on(foundation: Foundation) -> Callable[[Building], Building]:
    return lambda building: replace(building, foundation=foundation)


def _trusses(spacing_ft: float) -> Callable[[Building], Building]:
    return lambda building: replace(building, truss_spacing_ft=spacing_ft)


def _steel_lined(building: Building) -> Building:
    wide = building.truss_spacing_ft > LIGHT_LINER_SPAN_FT
    gauge = min(building.liner_gauge, WIDE_LINER_GAUGE) if wide else building.liner_gauge
    return replace(
        building, wall_lining=Lining.STEEL, ceiling_lining=Lining.STEEL, liner_gauge=gauge
    )


def _ready_for_drywall(building: Building) -> Building:
    return replace(
        building,
        wall_lining=Lining.DRYWALL_READY,
        ceiling_lining=Lining.DRYWALL_READY,
        truss_spacing_ft=2,
    )


def _unlined(building: Building) -> Building:
    return replace(building, wall_lining=Lining.NONE, ceiling_lining=Lining.NONE)


def _doors_more(count: int) -> Callable[[Building], Building]:
    def change(building: Building) -> Building:
        doors = [row for row in building.openings if row.kind == OpeningKind.OVERHEAD_DOOR]
        width_ft, height_ft = USUAL_DOOR_FT
        height_ft = min(height_ft, building.eave_ft - LEAST_HEADROOM_FT)
        if doors:
            largest = max(doors, key=lambda row: row.width_ft * row.height_ft)
            width_ft, height_ft = largest.width_ft, largest.height_ft
        more = Opening(
            kind=OpeningKind.OVERHEAD_DOOR, width_ft=width_ft, height_ft=height_ft, count=count
        )
        return replace(building, openings=(*building.openings, more))

    return change


OPTIONS = (
    Option("PRECAST_PIERS", "Precast piers", _on(Foundation.PRECAST_PIER)),
    Option("POURED_PIERS", "Poured piers", _on(Foundation.POURED_PIER)),
    Option("TRUSSES_8_FT", "Trusses 8 ft apart", _trusses(8)),
    Option("TRUSSES_4_FT", "Trusses 4 ft apart", _trusses(4)),
    Option("STEEL_LINER", "Steel liner on walls and ceiling", _steel_lined),
    Option("DRYWALL_READY", "Ready for drywall, trusses 2 ft apart", _ready_for_drywall),
    Option("NO_LINER", "No liner", _unlined),
    Option("ONE_DOOR_MORE", "One overhead door more", _doors_more(1)),
    Option("TWO_DOORS_MORE", "Two overhead doors more", _doors_more(2)),
)
