"""When a crew works at a site: one rule for the plan and for the load that is read from it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from contractor.engine.worktime import SLOT_MINUTES, Axis, WorkCalendar, weekly_calendar

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import date
    from zoneinfo import ZoneInfo

    from crews.models import Crew


def whole_quarters(drive_minutes: int) -> int:
    """Return a drive, one way, in minutes up to the next quarter hour."""
    return -(-drive_minutes // SLOT_MINUTES) * SLOT_MINUTES


def site_calendar(
    *, crew: Crew, drive_minutes: int, axis: Axis, zone: ZoneInfo, closed: Collection[date]
) -> WorkCalendar:
    """Return when a crew works at a site so far away; driving shortens both ends of the day."""
    drive = whole_quarters(drive_minutes)
    return weekly_calendar(
        key=f"{crew.work_hours.name}, {drive} min drive",
        axis=axis,
        zone=zone,
        weekly=crew.work_hours.week(),
        closed=closed,
        late_start_minutes=drive,
        early_end_minutes=drive,
    )
