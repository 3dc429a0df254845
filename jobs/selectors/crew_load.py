"""How full the crews are: working days, hours booked by week, and the day each comes free."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from django.db.models import Prefetch, QuerySet
from django.utils import timezone

from contractor.engine.worktime import (
    SLOT_MINUTES,
    SLOTS_PER_HOUR,
    Axis,
    WorkCalendar,
)
from crews.models import Crew, DayOff
from jobs.models import Booking, Phase
from jobs.selectors.open_work import days_of
from jobs.selectors.plans import PUBLISHED
from jobs.selectors.site_calendars import site_calendar, whole_quarters

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

# A year, so that every season's holidays count in the mean week.
WEEKS_OF_MEAN = 52
LOOK_AHEAD_DAYS = 730


@dataclass(frozen=True, slots=True)
class WeekLoad:
    """
    One ISO week of a crew.

    `working_hours` are its shifts less days off; `booked_hours` the part of them that is booked,
    driving included (never more than all of them: two sites in one day share a drive);
    `on_site_hours` the same without driving, as bookings count it.
    """

    week: str
    monday: date
    working_hours: float
    booked_hours: float
    on_site_hours: float


@dataclass(frozen=True, slots=True)
class CrewLoad:
    """A crew's weeks from this one to its last booking, and the first work day after that."""

    crew: Crew
    weeks: tuple[WeekLoad, ...]
    comes_free_on: date | None


def active_crews() -> QuerySet[Crew]:
    """Return the crews that can be booked, by name, with work hours and days off."""
    return (
        Crew.objects.filter(is_active=True)
        .select_related("work_hours")
        .prefetch_related(Prefetch("days_off", DayOff.objects.order_by("first_day", "id")))
        .order_by("name")
    )


def firm_days_off() -> frozenset[date]:
    """Return the days on which nobody works, public holidays among them."""
    return days_of(DayOff.objects.filter(crew=None, equipment=None))


def crew_bookings(*, since: datetime) -> QuerySet[Booking]:
    """
    Return the published bookings of crews that end after a moment, in order of time.

    Only what load and backlog read is loaded: a job's row has sixty columns.
    """
    return (
        Booking.objects.filter(PUBLISHED, crew__isnull=False, ends_at__gt=since)
        .select_related("phase__job")
        .only("crew", "starts_at", "ends_at", "phase__status", "phase__job__drive_minutes")
        .order_by("starts_at", "id")
    )


class CrewDays:
    """The working days of one crew; its work hours and days off must be loaded."""

    def __init__(self, crew: Crew, *, firm_off: frozenset[date]) -> None:
        self.crew = crew
        self.week: Mapping[int, tuple[tuple[time, time], ...]] = crew.work_hours.week()
        self.off = firm_off | days_of(crew.days_off.all())
        self._hours = {
            weekday: sum(_hours(shift) for shift in shifts) for weekday, shifts in self.week.items()
        }

    @property
    def day_hours(self) -> float:
        """Return the hours of a work day, driving included: the mean of the week's."""
        return sum(self._hours.values()) / len(self._hours)

    def hours_on(self, day: date) -> float:
        """Return the working hours of a day, 0 on a day off."""
        return 0.0 if day in self.off else self._hours.get(day.weekday(), 0.0)

    def site_hours(self, drive_minutes: int) -> float:
        """Return the hours of a work day at a site so far away, at least a quarter hour."""
        return max(self.day_hours - 2 * whole_quarters(drive_minutes) / 60, SLOT_MINUTES / 60)

    def work_days_a_week(self, today: date) -> float:
        """Return the mean work days a week of the coming 52 weeks, days off taken away."""
        days = (today + timedelta(days=n) for n in range(7 * WEEKS_OF_MEAN))
        return sum(self.hours_on(day) > 0 for day in days) / WEEKS_OF_MEAN

    def first_work_day(self, day: date) -> date | None:
        """Return the first work day from `day` on; None when there is none in two years."""
        days = (day + timedelta(days=n) for n in range(LOOK_AHEAD_DAYS))
        return next((day for day in days if self.hours_on(day) > 0), None)

    def comes_free_on(self, bookings: Sequence[Booking], now: datetime) -> date | None:
        """Return the first work day after the last booking that is not done, or from today on."""
        free = timezone.localdate(now)
        for booking in bookings:
            if booking.ends_at > now and booking.phase.status != Phase.Status.DONE:
                free = max(free, timezone.localdate(booking.ends_at) + timedelta(days=1))
        return self.first_work_day(free)


def crew_loads(crews: Sequence[Crew], *, now: datetime) -> list[CrewLoad]:
    """Return the load of crews that `active_crews` has read, in two queries for all of them."""
    firm_off = firm_days_off()
    this_monday = _monday(timezone.localdate(now))
    booked: dict[int, list[Booking]] = {crew.pk: [] for crew in crews}
    for booking in crew_bookings(since=_midnight(this_monday)):
        if booking.crew_id in booked:
            booked[booking.crew_id].append(booking)
    return [
        _load(CrewDays(crew, firm_off=firm_off), booked[crew.pk], now, this_monday)
        for crew in crews
    ]


def _load(days: CrewDays, bookings: list[Booking], now: datetime, this_monday: date) -> CrewLoad:
    mondays = _mondays(this_monday, bookings)
    on_site, booked = _booked_by_week(days, bookings, mondays)
    weeks = []
    for index, monday in enumerate(mondays):
        working = sum(days.hours_on(monday + timedelta(days=n)) for n in range(7))
        weeks.append(
            WeekLoad(
                week=f"{monday:%G-W%V}",
                monday=monday,
                working_hours=working,
                booked_hours=round(min(booked[index], working), 2),
                on_site_hours=on_site[index],
            )
        )
    return CrewLoad(days.crew, tuple(weeks), days.comes_free_on(bookings, now))


def _booked_by_week(
    days: CrewDays, bookings: Sequence[Booking], mondays: Sequence[date]
) -> tuple[list[float], list[float]]:
    """Return the booked hours of each week on site, and with the driving that goes with them."""
    on_site, booked = [0.0] * len(mondays), [0.0] * len(mondays)
    axis = _axis(mondays)
    edges = [axis.slot_at_or_after(_midnight(monday)) for monday in mondays]
    edges.append(axis.slots)
    calendars: dict[int, WorkCalendar] = {}
    for booking in bookings:
        drive = whole_quarters(booking.phase.job.drive_minutes)
        if drive not in calendars:
            calendars[drive] = site_calendar(
                crew=days.crew, drive_minutes=drive, axis=axis, zone=_zone(), closed=days.off
            )
        begins = max(booking.starts_at, axis.origin)
        first, last = axis.slot_at_or_before(begins), axis.slot_at_or_after(booking.ends_at)
        for index, (opens, closes) in enumerate(pairwise(edges)):
            a, b = max(first, opens), min(last, closes)
            if a < b:
                hours = calendars[drive].work_between(a, b) / SLOTS_PER_HOUR
                on_site[index] += hours
                booked[index] += hours * days.day_hours / days.site_hours(drive)
    return on_site, booked


def _axis(mondays: Sequence[date]) -> Axis:
    origin = _midnight(mondays[0])
    end = _midnight(mondays[-1] + timedelta(days=7))
    return Axis(origin=origin, slots=(end - origin) // timedelta(minutes=SLOT_MINUTES))


def _mondays(first: date, bookings: Sequence[Booking]) -> list[date]:
    """Return the Mondays from the first to that of the last booking's end."""
    ends = [timezone.localdate(booking.ends_at) for booking in bookings]
    last = _monday(max([first, *ends]))
    return [first + timedelta(weeks=n) for n in range((last - first).days // 7 + 1)]


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())


def _midnight(day: date) -> datetime:
    # In UTC, because two moments of one local zone subtract as if clocks never changed.
    return datetime.combine(day, time(), tzinfo=_zone()).astimezone(UTC)


def _zone() -> ZoneInfo:
    return ZoneInfo(timezone.get_default_timezone_name())


def _hours(shift: tuple[time, time]) -> float:
    begins, ends = shift
    return ((ends.hour - begins.hour) * 60 + ends.minute - begins.minute) / 60
