"""The one building that the trade's unit tests start from."""

from typing import Any

from contractor.trade.building import Building, Foundation, Opening, OpeningKind, Use


def shop(**changes: Any) -> Building:
    """Return a 30 × 40 × 10 shop on poured piers, with the given fields changed."""
    fields: dict[str, Any] = {
        "use": Use.SHOP,
        "width_ft": 30,
        "length_ft": 40,
        "eave_ft": 10,
        "foundation": Foundation.POURED_PIER,
    }
    return Building(**{**fields, **changes})


def door(kind: OpeningKind, width_ft: float, height_ft: float, count: int = 1) -> Opening:
    """Return an opening without naming its fields."""
    return Opening(kind=kind, width_ft=width_ft, height_ft=height_ft, count=count)
