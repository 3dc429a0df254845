"""What field reports leave of a phase: the share still to do, and a stop that holds it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.engine.worktime import SLOT_MINUTES
from contractor.trade.causes import Cause
from contractor.trade.progress import hours_left
from jobs.models import Phase
from jobs.services.holds import Hold

if TYPE_CHECKING:
    from contractor.engine.worktime import WorkCalendar
    from jobs.services.calendars import Calendars

STOPPED = "STOPPED"


def stop_hold(*, phase: Phase, calendars: Calendars, now: int) -> Hold | None:
    """Return what keeps a phase from going on that was stopped until a moment still to come."""
    if phase.stopped_until is None or phase.stopped_at is None:
        return None
    ends = calendars.slot_of(phase.stopped_until)
    if ends <= now:
        return None
    cause = Cause(phase.stopped_by).label.lower()
    until = timezone.localtime(phase.stopped_until)
    why = f"stopped ({cause}), to go on {until:%b %-d, %Y, %H:%M}"
    return Hold(STOPPED, phase.code, ends, why, begins=calendars.slot_of(phase.stopped_at))


def share_left(phase: Phase, *, pace: float = 1.0) -> float:
    """
    Return the share of the planned hours that a phase still takes, as of its latest report.

    Hours of a crew with a pace of 1.2 are worth 1.2 hours at the firm's rates.
    """
    if phase.planned_hours <= 0:
        return 1 - phase.share_done
    told, in_all = phase.hours_at_share, phase.reported_hours
    left = hours_left(
        planned_hours=phase.planned_hours,
        share_done=phase.share_done,
        hours_at_share=None if told is None else told * pace,
        reported_hours=None if in_all is None else in_all * pace,
    )
    return left / phase.planned_hours


def slots_left(
    *,
    phase: Phase,
    hours: float,
    calendar: WorkCalendar,
    calendars: Calendars,
    now: int,
    pace: float = 1.0,
) -> int:
    """
    Return the working slots that are left of a phase of so many hours, at least one.

    Work under way is taken to have gone on as planned since its share done was told: without
    that, an hour in which nobody reports would push everything behind it by an hour.
    """
    slots = max(1, -int(-hours * share_left(phase, pace=pace) * 60 // SLOT_MINUTES))
    if phase.status != Phase.Status.UNDER_WAY:
        return slots
    return max(
        1, slots - slots_worked(phase=phase, calendar=calendar, calendars=calendars, now=now)
    )


def slots_worked(*, phase: Phase, calendar: WorkCalendar, calendars: Calendars, now: int) -> int:
    """
    Return the working slots that a phase under way is taken to have gone on since it was told of.

    Nothing is taken to be done between a stop and the moment it was to go on.
    """
    if phase.share_known_at is None:
        return 0
    told = min(calendars.slot_of(phase.share_known_at), now)
    if phase.stopped_at is None:
        return calendar.work_between(told, now)
    stopped = min(max(told, calendars.slot_of(phase.stopped_at)), now)
    worked = calendar.work_between(told, stopped)
    if phase.stopped_until is None:
        return worked
    goes_on = min(max(stopped, calendars.slot_of(phase.stopped_until)), now)
    return worked + calendar.work_between(goes_on, now)
