"""How long after the order each item arrives: starter values by item."""

from collections.abc import Mapping
from types import MappingProxyType

from contractor.trade.building import Building
from contractor.trade.kinds import PostKind

# Calendar days from order to site; common practice, no source. Suppliers' own
# promises replace them.
LEAD_TIMES_DAYS: Mapping[str, int] = MappingProxyType(
    {
        "POSTS_SOLID": 7,
        "POSTS_LAMINATED": 21,
        "TRUSSES_TO_40_FT": 21,
        "TRUSSES_TO_60_FT": 28,
        "TRUSSES_OVER_60_FT": 42,
        "STEEL": 14,
        "OVERHEAD_DOORS": 35,
        "WINDOWS_AND_DOORS": 28,
        "CONCRETE": 2,
        "PRECAST_PIERS": 10,
        "INSULATION": 10,
        "LINER": 14,
    }
)


def lead_time_days(*, item: str, building: Building) -> int:
    """
    Return the starter lead time of a delivery item for one building, in calendar days.

    Laminated posts take longer than solid ones, long trusses longer than short
    ones. An unknown item raises ValueError.
    """
    key = item
    if item == "POSTS":
        laminated = building.resolved_post_kind == PostKind.LAMINATED
        key = "POSTS_LAMINATED" if laminated else "POSTS_SOLID"
    elif item == "TRUSSES":
        key = "TRUSSES_TO_40_FT"
        if building.width_ft > 40:
            key = "TRUSSES_TO_60_FT" if building.width_ft <= 60 else "TRUSSES_OVER_60_FT"
    if key not in LEAD_TIMES_DAYS:
        raise ValueError(
            f"item {item}: no such delivery. Enter POSTS, TRUSSES or one of "
            f"{', '.join(LEAD_TIMES_DAYS)}."
        )
    return LEAD_TIMES_DAYS[key]
