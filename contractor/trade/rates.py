"""
Starter values: labor hours per unit of work.

All are common practice, no source, set so that whole buildings come out as
builders report them. Every firm overwrites them with its own finished jobs.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Rate:
    """Labor hours (one person, one hour) per unit: a fast, a usual and a slow crew."""

    code: str
    label: str
    unit: str
    low: float
    typical: float
    high: float

    def __post_init__(self) -> None:
        if not 0 <= self.low <= self.typical <= self.high:
            raise ValueError(
                f"rate {self.code}: low {self.low}, typical {self.typical}, high {self.high} "
                "must rise from low to high and not be negative. Enter the hours per unit."
            )


_ROWS = (
    Rate("setup_layout", "Find corners, set batter boards", "job", 2.1, 4.2, 7.4),
    Rate("layout_lf", "Layout strings and marks", "lf", 0.0135, 0.027, 0.047),
    Rate("auger_hole", "Auger a hole in good soil", "hole", 0.25, 0.5, 1.0),
    Rate("pour_pad", "Pour a pad", "hole", 0.12, 0.2, 0.4),
    Rate("precast_pier", "Place a precast pier", "ea", 0.12, 0.2, 0.4),
    Rate("bracket", "Bolt a post bracket", "ea", 0.12, 0.2, 0.4),
    Rate("set_post", "Set, plumb, brace and backfill a post", "post", 0.48, 0.8, 1.6),
    Rate("setup_frame", "Unload and stage, first hours", "job", 1.4, 2.4, 5.8),
    Rate("unload_sf", "Unload and stage, by floor area", "sf", 0.0008, 0.00135, 0.0032),
    Rate("skirt_girt_lf", "Skirt boards and girts", "lf", 0.015, 0.020, 0.030),
    Rate("eave_carrier_lf", "Eave carriers, double", "lf", 0.06, 0.10, 0.15),
    Rate("truss_to_40", "Set a truss to 40 ft", "ea", 1.5, 2.5, 4.0),
    Rate("truss_to_60", "Set a truss over 40 to 60 ft", "ea", 2.5, 4.0, 6.0),
    Rate("truss_over_60", "Set a truss over 60 ft", "ea", 4.0, 6.0, 10.0),
    Rate("rafter", "Set a lean-to rafter", "ea", 0.6, 1.0, 1.6),
    Rate("purlin_lf", "Purlins", "lf", 0.012, 0.018, 0.030),
    Rate("roof_sf", "Roof steel, underlay and roof trim", "sf", 0.015, 0.022, 0.035),
    Rate("blanket_sf", "Condensation blanket under steel", "sf", 0.002, 0.003, 0.005),
    Rate("wall_sf", "Wall steel", "sf", 0.015, 0.023, 0.034),
    Rate("trim_lf", "Base, corner and opening trim", "lf", 0.030, 0.045, 0.070),
    Rate("walk_door", "Walk door", "ea", 2.0, 3.0, 5.0),
    Rate("window", "Window", "ea", 1.5, 2.0, 3.5),
    Rate("sliding_door", "Sliding door built on site", "ea", 8.0, 12.0, 20.0),
    Rate("setup_insulation", "Insulation set-up", "job", 1.0, 2.0, 4.0),
    Rate("batts_sf", "Batts", "sf", 0.010, 0.014, 0.020),
    Rate("blown_sf", "Blown ceiling", "sf", 0.004, 0.006, 0.010),
    Rate("setup_liner", "Liner set-up and staging", "job", 1.0, 2.0, 4.0),
    Rate("ceiling_liner_sf", "Ceiling steel", "sf", 0.020, 0.030, 0.045),
    Rate("wall_liner_sf", "Wall liner steel", "sf", 0.020, 0.030, 0.045),
    Rate("setup_punch", "Clean up and walk through, first hours", "job", 1.4, 2.4, 5.8),
    Rate("clean_sf", "Clean up, by floor area", "sf", 0.0008, 0.00135, 0.0032),
)
STARTER_RATES: Mapping[str, Rate] = MappingProxyType({rate.code: rate for rate in _ROWS})


def truss_rate_code(span_ft: float) -> str:
    """Return which truss rate a clear span takes."""
    if span_ft <= 40:
        return "truss_to_40"
    return "truss_to_60" if span_ft <= 60 else "truss_over_60"
