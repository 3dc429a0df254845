"""How long after the order each item arrives: starter values, and which of many rows counts."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

from contractor.trade.building import Building
from contractor.trade.kinds import PostKind

__all__ = [
    "RESERVE_DAYS",
    "STARTER_LEAD_TIMES",
    "LeadTime",
    "lead_time",
    "needed_by_date",
]

# Material should lie on site so many days before the day it must be there: time to count it and
# to send for what is short or broken. Our own choice.
RESERVE_DAYS = 2

_NO_SOURCE = "common practice, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class LeadTime:
    """
    Calendar days from order to site of an item.

    An empty supplier or post kind stands for all; spans are over ``over_span_ft`` and up to
    ``to_span_ft`` of building width, None for no end.
    """

    item: str
    days: int
    supplier: str = ""
    post_kind: str = ""
    over_span_ft: float = 0.0
    to_span_ft: float | None = None
    source: str = _NO_SOURCE

    def __post_init__(self) -> None:
        if not 0 <= self.days <= 365:
            raise ValueError(f"days {self.days}: enter 0 to 365 days.")
        if self.to_span_ft is not None and self.to_span_ft <= self.over_span_ft:
            raise ValueError(
                f"to_span_ft {self.to_span_ft:g}: enter more than {self.over_span_ft:g} ft."
            )

    def fits(self, *, item: str, building: Building, supplier: str) -> bool:
        """Return whether this says how long an item of a building takes from a supplier."""
        return (
            self.item == item
            and self.supplier.casefold() in ("", supplier.casefold())
            and self.post_kind in ("", building.resolved_post_kind)
            and self.over_span_ft < building.width_ft
            and (self.to_span_ft is None or building.width_ft <= self.to_span_ft)
        )

    def _narrowness(self) -> tuple[bool, bool, float, float]:
        """Return how closely it is drawn: supplier first, then post kind, then span."""
        end = float("-inf") if self.to_span_ft is None else -self.to_span_ft
        return bool(self.supplier), bool(self.post_kind), self.over_span_ft, end


# Calendar days from order to site; common practice, no source. Suppliers' own promises and the
# office's rows replace them.
STARTER_LEAD_TIMES: tuple[LeadTime, ...] = (
    LeadTime(item="POSTS", days=7, post_kind=PostKind.SOLID.value),
    LeadTime(item="POSTS", days=21, post_kind=PostKind.LAMINATED.value),
    LeadTime(item="TRUSSES", days=21, to_span_ft=40),
    LeadTime(item="TRUSSES", days=28, over_span_ft=40, to_span_ft=60),
    LeadTime(item="TRUSSES", days=42, over_span_ft=60),
    LeadTime(item="STEEL", days=14),
    LeadTime(item="OVERHEAD_DOORS", days=35),
    LeadTime(item="WINDOWS_AND_DOORS", days=28),
    LeadTime(item="CONCRETE", days=2),
    LeadTime(item="PRECAST_PIERS", days=10),
    LeadTime(item="INSULATION", days=10),
    LeadTime(item="LINER", days=14),
)


def lead_time(
    *, item: str, building: Building, rows: Iterable[LeadTime] = (), supplier: str = ""
) -> LeadTime:
    """
    Return the lead time of a delivery item for one building and supplier.

    Of the rows that fit, the most closely drawn counts, and of equals the longest; the starter
    values stand in where no row fits. An unknown item raises ValueError.
    """
    for table in (rows, STARTER_LEAD_TIMES):
        fitting = [
            row
            for row in table
            # Asked first by itself: most rows are of another item, and a call takes longer.
            if row.item == item and row.fits(item=item, building=building, supplier=supplier)
        ]
        if fitting:
            return max(fitting, key=lambda row: (row._narrowness(), row.days))
    known = ", ".join(dict.fromkeys(row.item for row in STARTER_LEAD_TIMES))
    raise ValueError(f"item {item}: no such delivery. Enter one of {known}.")


def needed_by_date(first_booked_on: date) -> date:
    """Return the day on which material must be there for work that begins on a day."""
    return first_booked_on - timedelta(days=1)
