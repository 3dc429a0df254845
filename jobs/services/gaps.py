"""The next gaps between a crew's bookings that a small piece of work fits into."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from django.utils import timezone

from contractor.engine.worktime import SLOT_MINUTES, SLOTS_PER_DAY, SLOTS_PER_HOUR, Axis
from contractor.trade.errors import Fault, SpecError
from jobs.models import Booking
from jobs.selectors.board_version import plan_at_hand
from jobs.selectors.open_work import open_work
from jobs.services.calendars import Calendars

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator
    from datetime import date, datetime

    from numpy.typing import NDArray

    from crews.models import Crew
    from jobs.selectors.open_work import OpenWork

# So far ahead gaps are looked for, and no more hours are small work; our own.
LOOK_AHEAD_DAYS = 180
MOST_HOURS = 80.0


@dataclass(frozen=True, slots=True)
class Gap:
    """
    Free working time of a crew; work of the asked length may begin at `starts_at`.

    `ends_at` is when that work would end; `free_hours` is how long the gap is in all.
    """

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
    """
    Return the first gaps of so many working hours on site, the soonest first, one for each crew.

    In the plan at hand, so that nothing booked moves. With a `crew_id` the first gaps of that crew.

    Raises
    ------
    contractor.trade.errors.SpecError
        If the hours are none, or too many for a gap.
    crews.selectors.NoFirm
        If no firm is entered.
    """
    if not 0 < hours <= MOST_HOURS:
        remedy = f"Enter more than 0 and at most {MOST_HOURS:g}, or a job of its own."
        raise SpecError([Fault("hours", hours, "this is not small work", remedy)])
    work = open_work(now=now)
    found = [
        gap
        for crew in work.crews
        if crew_id in (None, crew.pk) and set(skills) <= set(crew.skills)
        for gap in _gaps(work, crew, hours, drive_minutes, from_day, count if crew_id else 1)
    ]
    return tuple(sorted(found, key=lambda gap: (gap.starts_at, gap.crew))[:count])


def _gaps(
    work: OpenWork, crew: Crew, hours: float, drive_minutes: int, from_day: date | None, count: int
) -> Iterator[Gap]:
    """Yield a crew's gaps in order of time, at most so many."""
    axis = Axis(origin=_midnight(work.now), slots=LOOK_AHEAD_DAYS * SLOTS_PER_DAY)
    calendars = Calendars(
        axis=axis,
        zone=timezone.get_default_timezone(),
        closed=work.firm_days_off,
        set_aside=work.set_aside,
    )
    calendar = calendars.built[calendars.of_crew(crew, drive_minutes=drive_minutes)]
    booked = _booked(crew, calendars)
    begins = axis.slot_at_or_after(work.now)
    if from_day is not None:
        begins = max(begins, calendars.slot_of_day(from_day))
    # Working slots that a booking lies between belong to different gaps.
    slots = np.flatnonzero(calendar.working & ~booked)
    slots = slots[slots >= begins]
    taken_before = np.concatenate(([0], np.cumsum(booked)))
    breaks = np.flatnonzero(np.diff(taken_before[slots])) + 1
    needed = math.ceil(hours * SLOTS_PER_HOUR)
    for run in np.split(slots, breaks):
        if count > 0 and len(run) >= needed:
            count -= 1
            yield Gap(
                crew_id=crew.pk,
                crew=crew.name,
                starts_at=axis.instant(int(run[0])),
                ends_at=axis.instant(int(run[needed - 1]) + 1),
                free_hours=len(run) * SLOT_MINUTES / 60,
            )


def _booked(crew: Crew, calendars: Calendars) -> NDArray[np.bool_]:
    """Return the slots that a crew's bookings lie over, nights and weekends in them included."""
    booked = np.zeros(calendars.axis.slots, dtype=np.bool_)
    rows = Booking.objects.filter(plan=plan_at_hand(), crew=crew, ends_at__gt=calendars.axis.origin)
    for starts_at, ends_at in rows.values_list("starts_at", "ends_at"):
        last = calendars.axis.instant(calendars.axis.slots)
        if starts_at < last:
            booked[calendars.slot_of(starts_at) : calendars.slot_of(min(ends_at, last))] = True
    return booked


def _midnight(moment: datetime) -> datetime:
    return timezone.localtime(moment).replace(hour=0, minute=0, second=0, microsecond=0)
