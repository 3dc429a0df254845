"""The board's days as bays between posts: where a moment lies, and what stands behind the rows."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime
    from zoneinfo import ZoneInfo

CLOSED_SHARE = 0.28
"""How wide a day is on which nobody works, as a share of one on which somebody does."""
LEAST_CLOSED_PX, WIDEST_PX = 6, 120


@dataclass(frozen=True, slots=True)
class Bay:
    """A day of the board: where it begins, how wide it is, and whether anybody works on it."""

    day: date
    left: float
    width: float
    is_open: bool


@dataclass(frozen=True)
class Bays:
    """
    The days of a board from left to right, in CSS pixels.

    A day shows the hours from `opens` to `closes` (0 to 24, local); a moment outside of them lies
    on the nearer edge, so that nights take no room.
    """

    bays: tuple[Bay, ...]
    opens: float
    closes: float
    zone: ZoneInfo

    @cached_property
    def _days(self) -> list[date]:
        return [bay.day for bay in self.bays]

    @property
    def width(self) -> float:
        """Return the width of all days."""
        return self.bays[-1].left + self.bays[-1].width

    def shows(self, moment: datetime) -> bool:
        """Return whether a moment's day is on the board."""
        return self._days[0] <= moment.astimezone(self.zone).date() <= self._days[-1]

    def left_of(self, day: date) -> float:
        """Return where a day begins; the nearer edge of the board for days beyond it."""
        index = bisect_right(self._days, day) - 1
        if index < 0:
            return 0.0
        bay = self.bays[index]
        return bay.left if bay.day == day else bay.left + bay.width

    def x(self, moment: datetime) -> float:
        """Return where an aware moment lies; the nearer edge of the board for those beyond it."""
        local = moment.astimezone(self.zone)
        index = bisect_right(self._days, local.date()) - 1
        if index < 0:
            return 0.0
        bay = self.bays[index]
        if bay.day != local.date():
            return bay.left + bay.width
        hour = local.hour + local.minute / 60
        share = (hour - self.opens) / (self.closes - self.opens)
        return bay.left + min(max(share, 0.0), 1.0) * bay.width


def lay_out(
    days: Sequence[tuple[date, bool]],
    *,
    bay_px: int,
    opens: float,
    closes: float,
    zone: ZoneInfo,
    room_px: int = 0,
) -> Bays:
    """
    Return the bays of days, each with whether anybody works on it.

    A working day is `bay_px` wide, or as much wider as fits all days into `room_px`.
    """
    left, bays = 0.0, []
    open_days = sum(is_open for _, is_open in days)
    wide = _filling(open_days, len(days) - open_days, room_px)
    bay_px = max(bay_px, min(wide, WIDEST_PX))
    for day, is_open in days:
        width = float(bay_px if is_open else _closed_px(bay_px))
        bays.append(Bay(day, left, width, is_open))
        left += width
    return Bays(tuple(bays), opens, closes, zone)


def _filling(open_days: int, closed_days: int, room_px: int) -> int:
    """Return how wide a working day may be for all of them to fit; 0 where none can."""
    wide = int(room_px / (open_days + closed_days * CLOSED_SHARE)) if open_days else 0
    while wide > 0 and open_days * wide + closed_days * _closed_px(wide) > room_px:
        wide -= 1
    return wide


def _closed_px(bay_px: int) -> int:
    return max(LEAST_CLOSED_PX, round(bay_px * CLOSED_SHARE))


def posts(bays: Bays, height: float) -> str:
    """Return the posts between the bays as a path: Mondays' apart, as they are drawn thicker."""
    mondays = [b for b in bays.bays if b.day.weekday() == 0]
    others = [b for b in bays.bays if b.day.weekday() != 0 and b.left]
    return (
        f'<path class="posts" d="{_uprights(others, height)}"/>'
        f'<path class="posts monday" d="{_uprights(mondays, height)}"/>'
    )


def closed(bays: Bays, height: float) -> str:
    """Return the days on which nobody works, shaded."""
    path = "".join(
        f"M{bay.left:g} 0h{bay.width:g}v{height:g}h-{bay.width:g}z"
        for bay in bays.bays
        if not bay.is_open
    )
    return f'<path class="closed" d="{path}"/>'


def _uprights(bays: Sequence[Bay], height: float) -> str:
    return "".join(f"M{bay.left:g} 0V{height:g}" for bay in bays)
