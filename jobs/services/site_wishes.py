"""What a site would rather have: few visits, and nothing half done for long.

These are wishes with a price, not rules: a plan may go against them, and then its cost shows it.
"""

from __future__ import annotations

from datetime import timedelta
from types import MappingProxyType
from typing import TYPE_CHECKING

from contractor.engine.worktime import SLOT_MINUTES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from contractor.trade.phases import Follows

# What an hour costs that a crew drives or sets up, and the set-up of a visit: trailer, generator,
# ladders, machines. Our own choice: half an hour of driving each way makes a visit cost as much as
# a day and a half that a site stands open, and far less than one day of a broken promise.
PRICE_VISIT_HOUR = 4.0
SET_UP_MINUTES = 30

# Open holes cave in and fill with water, so concrete or posts follow within a weekend; posts that
# stand in braces only, and trusses without the steel that stiffens them, wait for a week at most.
# Common practice, no source: the engineer's drawings and the weather decide on site.
OPEN_HOLES = timedelta(days=3)
BRACED_ONLY = timedelta(days=7)
LONGEST_WAIT: Mapping[tuple[str, str], timedelta] = MappingProxyType(
    {
        ("DIG", "HOLE_INSPECTION"): OPEN_HOLES,
        ("DIG", "POUR"): OPEN_HOLES,
        ("DIG", "POSTS"): OPEN_HOLES,
        ("HOLE_INSPECTION", "POUR"): OPEN_HOLES,
        ("HOLE_INSPECTION", "POSTS"): OPEN_HOLES,
        ("POUR", "POSTS"): OPEN_HOLES,
        ("POSTS", "FRAME"): BRACED_ONLY,
        ("FRAME", "TRUSSES"): BRACED_ONLY,
        ("TRUSSES", "ROOF"): BRACED_ONLY,
        # The parts of a phase that was split.
        ("FRAME", "FRAME"): BRACED_ONLY,
        ("ROOF", "ROOF"): BRACED_ONLY,
    }
)


def visit_price(*, drive_minutes: int) -> float:
    """Return what one visit of a crew to a site costs, `drive_minutes` away from the yard."""
    return PRICE_VISIT_HOUR * (2 * drive_minutes + SET_UP_MINUTES) / 60


def longest_slots(follows: Follows) -> int | None:
    """Return within how many slots of being free a phase should begin; None where it may wait."""
    longest = LONGEST_WAIT.get((follows.before, follows.after))
    return None if longest is None else longest // timedelta(minutes=SLOT_MINUTES)
