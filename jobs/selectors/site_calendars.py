"""When a crew works at a site: one rule for the plan and for the load that is read from it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from contractor.engine.worktime import SLOT_MINUTES, Axis, WorkCalendar, weekly_calendar

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable
    from datetime import date
    from zoneinfo import ZoneInfo

    from crews.models import Crew
    from jobs.models import SetAside


def whole_quarters(drive_minutes: int) -> int:
    """Return a drive, one way, in minutes up to the next quarter hour."""
    return -(-drive_minutes // SLOT_MINUTES) * SLOT_MINUTES


def slots_set_aside(
    crew: Crew, set_aside: Iterable[SetAside], axis: Axis
) -> tuple[tuple[int, int], ...]:
    """Return the slots of a crew's time that is set aside; a quarter hour goes whole."""
    opens, closes = axis.origin, axis.instant(axis.slots)
    return tuple(
        (
            axis.slot_at_or_before(max(row.starts_at, opens)),
            axis.slot_at_or_after(min(row.ends_at, closes)),
        )
        for row in set_aside
        if row.crew_id == crew.pk and row.starts_at < closes and row.ends_at > opens
    )


def site_calendar(
    *,
    crew: Crew,
    drive_minutes: int,
    axis: Axis,
    zone: ZoneInfo,
    closed: Collection[date],
    set_aside: Iterable[SetAside],
) -> WorkCalendar:
    """
    Return when a crew has time for work at a site so far away.

    Driving shortens both ends of the day; the crew's time that is set aside is taken out.
    """
    drive = whole_quarters(drive_minutes)
    whole = weekly_calendar(
        key=f"{crew.work_hours.name}, {drive} min drive",
        axis=axis,
        zone=zone,
        weekly=crew.work_hours.week(),
        closed=closed,
        late_start_minutes=drive,
        early_end_minutes=drive,
    )
    apart = slots_set_aside(crew, set_aside, axis)
    if not apart:
        return whole
    working = whole.working.copy()
    for begins, ends in apart:
        working[begins:ends] = False
    return WorkCalendar(whole.key, working)
