"""
What a crew does: its published work by day, with all that its people need to know on site.

The one place that phone pages and calendars read it from. The number of queries does not grow
with the rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from jobs.models import Booking, Phase

if TYPE_CHECKING:
    from datetime import date, datetime

    from crews.models import Crew


@dataclass(frozen=True, slots=True)
class PhaseRow:
    """One phase as a crew sees it."""

    booking: Booking
    phase: Phase


@dataclass(frozen=True, slots=True)
class Day:
    """A day with the phases on which the crew works."""

    on: date
    rows: tuple[PhaseRow, ...]


@dataclass(frozen=True, slots=True)
class Week:
    """Today and the days to come, as known at `as_of`."""

    as_of: datetime
    days: tuple[Day, ...]


def crew_week(*, crew: Crew, now: datetime) -> Week:
    """Return the crew's published work from today on."""
    return Week(as_of=now, days=())


def crew_phase(*, crew: Crew, phase_id: int, now: datetime) -> PhaseRow | None:
    """Return one phase of the crew's published work; None if it is not the crew's."""
    return None
