"""The next gaps between a crew's bookings that a small piece of work fits into."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import date, datetime


@dataclass(frozen=True, slots=True)
class Gap:
    """Free working time of a crew; work of the asked length may begin at `starts_at`."""

    crew_id: int
    crew: str
    starts_at: datetime
    ends_at: datetime
    free_hours: float


def next_gaps(
    *,
    hours: float,
    now: datetime,
    from_day: date | None = None,
    crew_id: int | None = None,
    skills: Collection[str] = (),
    drive_minutes: int = 30,
    count: int = 3,
) -> tuple[Gap, ...]:
    """Return the first gaps of so many working hours on site, the soonest first."""
    raise NotImplementedError
