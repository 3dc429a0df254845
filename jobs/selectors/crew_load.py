"""How full the crews are: working days, hours booked by week, and the day each comes free."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, NamedTuple
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
from jobs.selectors import crew_time
from jobs.selectors.crew_people import fewest_people, people_by_day
from jobs.selectors.open_work import days_of
from jobs.selectors.plans import PUBLISHED
from jobs.selectors.site_calendars import site_calendar, whole_quarters

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from jobs.models import LentPeople, SetAside

# A year, so that every season's holidays count in the mean week.
WEEKS_OF_MEAN = 52
LOOK_AHEAD_DAYS = 730


@dataclass(frozen=True, slots=True)
class WeekLoad:
    """
    One ISO week of a crew.

    `working_hours` are its shifts less days off and time set aside; `booked_hours` the part of
    them that is booked, driving included (never more than all of them: two sites in one day share
    a drive); `on_site_hours` the same without driving, as bookings count it.
    """

    week: str
    monday: date
    working_hours: float
    booked_hours: float
    on_site_hours: float


@dataclass(frozen=True, slots=True)
class CrewLoad:
    """A crew's weeks from this one to its last booking, and the first work day after that."""

    days: CrewDays
    weeks: tuple[WeekLoad, ...]
    comes_free_on: date | None

    @property
    def crew(self) -> Crew:
        """Return the crew."""
        return self.days.crew


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


class CrewBooking(NamedTuple):
    """What load and backlog read of a booking: there are hundreds, so they are no rows of a model.

    Its phase is told by key and status, its site by the drive there.
    """

    crew_id: int
    starts_at: datetime
    ends_at: datetime
    phase_id: int
    phase_status: str
    drive_minutes: int


def crew_bookings(*, since: datetime) -> list[CrewBooking]:
    """Return the published bookings of crews that end after a moment, in order of time."""
    rows = Booking.objects.filter(PUBLISHED, crew__isnull=False, ends_at__gt=since)
    columns = ("phase_id", "phase__status", "phase__job__drive_minutes")
    told = rows.order_by("starts_at", "id").values_list("crew_id", "starts_at", "ends_at", *columns)
    return [CrewBooking._make(row) for row in told]


class CrewDays:
    """
    The working days of one crew; its work hours and days off must be loaded.

    A day on which all its people are lent is a day off. Of `lent` and `set_aside`, which may hold
    other crews' rows, give none where only shifts are asked for.
    """

    def __init__(
        self,
        crew: Crew,
        *,
        firm_off: frozenset[date],
        lent: Iterable[LentPeople] = (),
        set_aside: Iterable[SetAside] = (),
    ) -> None:
        self.crew = crew
        self.set_aside = tuple(row for row in set_aside if row.crew_id == crew.pk)
        self._people = people_by_day(crew, lent)
        self._free: dict[date, float] = {}
        self.week: Mapping[int, tuple[tuple[time, time], ...]] = crew.work_hours.week()
        nobody = {day for day, people in self._people.items() if people < 1}
        self.off = firm_off | days_of(crew.days_off.all()) | nobody
        self._apart = frozenset(day for row in self.set_aside for day in _local_days(row))
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

    def free_hours_on(self, day: date) -> float:
        """Return the working hours of a day less those that are set aside."""
        if day not in self._apart:
            return self.hours_on(day)
        if day not in self._free:
            axis = _axis(day, day + timedelta(days=1))
            open_slots = self.calendar(0, axis).work_between(0, axis.slots)
            self._free[day] = open_slots / SLOTS_PER_HOUR
        return self._free[day]

    def calendar(self, drive_minutes: int, axis: Axis) -> WorkCalendar:
        """Return when the crew has time for work at a site so far away."""
        return site_calendar(
            crew=self.crew,
            drive_minutes=drive_minutes,
            axis=axis,
            zone=_zone(),
            closed=self.off,
            set_aside=self.set_aside,
        )

    def people_between(self, first: date, last: date, *, at_least: int = 1) -> int:
        """Return how many people do what lasts from a day to another, as a plan counts them."""
        if not self._people:
            return self.crew.size  # nobody is lent
        count = (last - first).days + 1
        days = (first + timedelta(days=n) for n in range(count))
        at_work = (day for day in days if self.free_hours_on(day) > 0)
        return fewest_people(self.crew.size, self._people, at_work, at_least=at_least)

    def site_hours(self, drive_minutes: int) -> float:
        """Return the hours of a work day at a site so far away, at least a quarter hour."""
        return max(self.day_hours - 2 * whole_quarters(drive_minutes) / 60, SLOT_MINUTES / 60)

    def work_days_a_week(self, today: date) -> float:
        """Return the mean work days a week of the coming 52 weeks, less days off or set aside."""
        days = (today + timedelta(days=n) for n in range(7 * WEEKS_OF_MEAN))
        return sum(self.free_hours_on(day) > 0 for day in days) / WEEKS_OF_MEAN

    def first_work_day(self, day: date) -> date | None:
        """Return the first day with time from `day` on; None when there is none in two years."""
        days = (day + timedelta(days=n) for n in range(LOOK_AHEAD_DAYS))
        return next((day for day in days if self.free_hours_on(day) > 0), None)

    def comes_free_on(self, bookings: Sequence[CrewBooking], now: datetime) -> date | None:
        """Return the first work day after the last booking that is not done, or from today on."""
        free = timezone.localdate(now)
        for booking in bookings:
            if booking.ends_at > now and booking.phase_status != Phase.Status.DONE:
                free = max(free, timezone.localdate(booking.ends_at) + timedelta(days=1))
        return self.first_work_day(free)


def days_of_crews(crews: Iterable[Crew], *, since: date) -> list[CrewDays]:
    """Return the days of crews from a day on, with lends and time set aside, in three queries."""
    firm_off = firm_days_off()
    lent = list(crew_time.lent_people(since=since).select_related(None))
    set_aside = list(crew_time.set_aside(since=since).select_related(None))
    return [CrewDays(crew, firm_off=firm_off, lent=lent, set_aside=set_aside) for crew in crews]


def crew_loads(crews: Sequence[Crew], *, now: datetime) -> list[CrewLoad]:
    """Return the load of crews that `active_crews` has read, in four queries for all of them."""
    this_monday = _monday(timezone.localdate(now))
    booked: dict[int, list[CrewBooking]] = {crew.pk: [] for crew in crews}
    for booking in crew_bookings(since=_midnight(this_monday)):
        if booking.crew_id in booked:
            booked[booking.crew_id].append(booking)
    return [
        _load(days, booked[days.crew.pk], now, this_monday)
        for days in days_of_crews(crews, since=this_monday)
    ]


def _load(
    days: CrewDays, bookings: list[CrewBooking], now: datetime, this_monday: date
) -> CrewLoad:
    mondays = _mondays(this_monday, bookings)
    on_site, booked = _booked_by_week(days, bookings, mondays)
    weeks = []
    for index, monday in enumerate(mondays):
        working = sum(days.free_hours_on(monday + timedelta(days=n)) for n in range(7))
        weeks.append(
            WeekLoad(
                week=f"{monday:%G-W%V}",
                monday=monday,
                working_hours=working,
                booked_hours=round(min(booked[index], working), 2),
                on_site_hours=on_site[index],
            )
        )
    return CrewLoad(days, tuple(weeks), days.comes_free_on(bookings, now))


def _booked_by_week(
    days: CrewDays, bookings: Sequence[CrewBooking], mondays: Sequence[date]
) -> tuple[list[float], list[float]]:
    """Return the booked hours of each week on site, and with the driving that goes with them."""
    on_site, booked = [0.0] * len(mondays), [0.0] * len(mondays)
    axis = _axis(mondays[0], mondays[-1] + timedelta(days=7))
    edges = [axis.slot_at_or_after(_midnight(monday)) for monday in mondays]
    edges.append(axis.slots)
    calendars: dict[int, WorkCalendar] = {}
    for booking in bookings:
        drive = whole_quarters(booking.drive_minutes)
        if drive not in calendars:
            calendars[drive] = days.calendar(drive, axis)
        begins = max(booking.starts_at, axis.origin)
        first, last = axis.slot_at_or_before(begins), axis.slot_at_or_after(booking.ends_at)
        with_driving = days.day_hours / days.site_hours(drive)
        index = max(bisect_right(edges, first) - 1, 0)
        while index < len(mondays) and edges[index] < last:
            a, b = max(first, edges[index]), min(last, edges[index + 1])
            hours = calendars[drive].work_between(a, b) / SLOTS_PER_HOUR
            on_site[index] += hours
            booked[index] += hours * with_driving
            index += 1
    return on_site, booked


def _axis(first: date, until: date) -> Axis:
    origin, end = _midnight(first), _midnight(until)
    return Axis(origin=origin, slots=(end - origin) // timedelta(minutes=SLOT_MINUTES))


def _local_days(row: SetAside) -> Iterable[date]:
    """Return the days that time set aside touches."""
    first, last = timezone.localdate(row.starts_at), timezone.localdate(row.ends_at)
    return (first + timedelta(days=n) for n in range((last - first).days + 1))


def _mondays(first: date, bookings: Sequence[CrewBooking]) -> list[date]:
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
