"""Working calendars of crews, of the firm's office days, and of authorities, on one axis."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from contractor.engine.worktime import (
    Axis,
    WorkCalendar,
    public_holidays,
    weekly_calendar,
)
from crews.models import FARTHEST_AHEAD
from inspections.selectors.authority import own_closed_days, visit_windows, weekdays
from jobs.selectors.open_work import days_of
from jobs.selectors.site_calendars import site_calendar, slots_set_aside, whole_quarters
from jobs.services.weather_days import LocalDays

if TYPE_CHECKING:
    from collections.abc import Hashable, Sequence
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from crews.models import Crew
    from inspections.models import Authority
    from inspections.selectors.weather import SiteWeather
    from jobs.models import SetAside
    from jobs.services.crew_teams import Team

# Outside trades and suppliers keep ordinary weekday hours; common practice, no source.
OUTSIDE_HOURS = ((time(8, 0), time(16, 0)),)
OUTSIDE_WEEK = dict.fromkeys(range(5), OUTSIDE_HOURS)


class Calendars:
    """
    The calendars of one problem, each built once and known by its index.

    Two crews with the same hours and days off share a calendar, since a two-year table is not
    free; a far site has its own, as driving shortens the day at both ends, and so has work that
    weather stops, where it takes other days. `clear` has, for each of these, the calendar as it
    would be without weather.
    """

    def __init__(
        self,
        *,
        axis: Axis,
        zone: ZoneInfo,
        closed: frozenset[date],
        set_aside: Sequence[SetAside] = (),
    ) -> None:
        self.axis = axis
        self.zone = zone
        self.closed = closed
        self.set_aside = set_aside
        self.built: list[WorkCalendar] = []
        self.clear: dict[int, WorkCalendar] = {}
        self._index: dict[object, int] = {}
        self._clear: dict[object, WorkCalendar] = {}
        self._crew_days_off: dict[int, frozenset[date]] = {}
        self._crew_works: dict[int, bool] = {}
        self._holidays: dict[str, frozenset[date]] = {}
        self._authority_closed: dict[int, frozenset[date]] = {}
        self._authority_opens: dict[tuple[int, date], bool] = {}
        self._authority_weekdays: dict[int, frozenset[int]] = {}

    def of_crew(
        self,
        crew: Crew,
        *,
        drive_minutes: int,
        weather: SiteWeather | None = None,
        team: Team | None = None,
    ) -> int:
        """
        Return the calendar of a crew at a site so far away, one way, in whole quarter hours.

        Without the time that is set aside, and of a `team` with the days on which it is there.
        """
        closed = self._days_off(crew) | (team.away if team else frozenset())
        only = team.only if team else None
        drive = whole_quarters(drive_minutes)
        apart = slots_set_aside(crew, self.set_aside, self.axis)
        key = (crew.work_hours_id, closed, drive, only, apart)
        if key not in self._clear:
            whole = site_calendar(
                crew=crew,
                drive_minutes=drive,
                axis=self.axis,
                zone=self.zone,
                closed=closed,
                set_aside=self.set_aside,
            )
            self._clear[key] = whole if only is None else self._on_days(whole, only)
        return self._in_weather(key, weather)

    def _on_days(self, whole: WorkCalendar, only: frozenset[date]) -> WorkCalendar:
        there = np.zeros_like(whole.working)
        for begins, ends in (self.local_days.span_of(day) for day in only):
            there[begins:ends] = True
        return WorkCalendar(whole.key, whole.working & there)

    def left(self, calendar: int, since: int) -> int:
        """Return the working slots of a calendar from a slot on."""
        return self.built[calendar].work_between(since, self.axis.slots)

    def ends(self, calendar: int, start: int, work_slots: int) -> int:
        """Return when work ends that begins at a slot; past the axis where it does not fit."""
        if self.left(calendar, start) < work_slots:
            return self.axis.slots + 1
        return self.built[calendar].finish(start, work_slots)

    def works_again(self, crew: Crew, today: date) -> bool:
        """Return whether a crew works at all within as far as dates may be entered."""
        if crew.pk not in self._crew_works:
            week, closed = crew.work_hours.week(), self._days_off(crew)
            ahead = (today + timedelta(days=days) for days in range(FARTHEST_AHEAD.days))
            self._crew_works[crew.pk] = any(
                day.weekday() in week and day not in closed for day in ahead
            )
        return self._crew_works[crew.pk]

    def _days_off(self, crew: Crew) -> frozenset[date]:
        if crew.pk not in self._crew_days_off:
            self._crew_days_off[crew.pk] = self.closed | days_of(crew.days_off.all())
        return self._crew_days_off[crew.pk]

    def of_outside_trades(self, weather: SiteWeather | None = None) -> int:
        """Return the calendar of trades that are not ours."""
        if "outside" not in self._clear:
            self._clear["outside"] = weekly_calendar(
                key="outside trades",
                axis=self.axis,
                zone=self.zone,
                weekly=OUTSIDE_WEEK,
                closed=self.closed,
            )
        return self._in_weather("outside", weather)

    def _in_weather(self, clear_key: Hashable, weather: SiteWeather | None) -> int:
        """Return a clear calendar, or what weather leaves of it; built once for all alike."""
        takes = weather is not None and weather.takes_anything
        key = (clear_key, weather.key if weather is not None and takes else None)
        if key not in self._index:
            clear = self._clear[clear_key]
            if weather is None or not takes:
                self._add(key, clear)
            else:
                self.clear[len(self.built)] = clear
                self._add(key, self.local_days.without_weather(clear, weather))
        return self._index[key]

    def of_visits(self, authority: Authority, window: tuple[time, time]) -> int:
        """Return the calendar that is open in one visit window of an authority's working days."""
        key = ("visits", authority.pk, window)
        if key not in self._index:
            weekly = dict.fromkeys(self.weekdays(authority), (window,))
            self._add(
                key,
                weekly_calendar(
                    key=f"{authority.name} {window[0]:%H:%M}",
                    axis=self.axis,
                    zone=self.zone,
                    weekly=weekly,
                    closed=self.closed_days(authority),
                ),
            )
        return self._index[key]

    def visit_starts(self, authority: Authority) -> NDArray[np.int32]:
        """Return the slots at which the authority's visit windows open, in order."""
        starts = [
            np.flatnonzero(np.diff(working, prepend=False) & working)
            for window in visit_windows(authority)
            for working in (self.built[self.of_visits(authority, window)].working,)
        ]
        return np.unique(np.concatenate(starts)).astype(np.int32)

    def closed_days(self, authority: Authority) -> frozenset[date]:
        """Return the days an authority is closed: its state's holidays and its own."""
        if authority.pk not in self._authority_closed:
            until = max(self.local(self.axis.slots).date(), self.local(0).date() + FARTHEST_AHEAD)
            own = own_closed_days(authority, until=until)
            self._authority_closed[authority.pk] = self.holidays(authority.state) | own
        return self._authority_closed[authority.pk]

    def holidays(self, state: str) -> frozenset[date]:
        """
        Return a state's public holidays on the axis.

        They come from the library and not from the firm's days off: a firm that works on a
        holiday still finds the authority and the utilities closed.
        """
        if state not in self._holidays:
            first = self.local(0).year
            last = self.local(self.axis.slots).year
            self._holidays[state] = public_holidays(
                country="US", subdiv=state, years=range(first, last + 1)
            )
        return self._holidays[state]

    def is_authority_day(self, authority: Authority, day: date) -> bool:
        """Return whether an authority works on a day."""
        return day.weekday() in self.weekdays(authority) and day not in self.closed_days(authority)

    def weekdays(self, authority: Authority) -> frozenset[int]:
        """Return the weekdays on which an authority works; 0 is Monday."""
        if authority.pk not in self._authority_weekdays:
            self._authority_weekdays[authority.pk] = weekdays(authority)
        return self._authority_weekdays[authority.pk]

    def opens_again(self, authority: Authority, today: date) -> bool:
        """Return whether an authority works at all within as far as dates may be entered."""
        key = (authority.pk, today)
        if key not in self._authority_opens:
            ahead = (today + timedelta(days=days) for days in range(FARTHEST_AHEAD.days))
            self._authority_opens[key] = any(self.is_authority_day(authority, day) for day in ahead)
        return self._authority_opens[key]

    def local(self, slot: int) -> datetime:
        """Return the site-local moment of a slot."""
        return self.axis.instant(slot).astimezone(self.zone)

    @cached_property
    def local_days(self) -> LocalDays:
        """Return the local days of the axis."""
        return LocalDays(self.axis, self.zone)

    def slot_of(self, instant: datetime) -> int:
        """Return the first slot at or after a moment; the axis's own start for earlier ones."""
        return 0 if instant <= self.axis.origin else self.axis.slot_at_or_after(instant)

    def slot_of_day(self, day: date) -> int:
        """Return the slot at which a local day begins."""
        return self.slot_of(self.midnight(day))

    def midnight(self, day: date) -> datetime:
        """Return the first moment of a local day."""
        return datetime.combine(day, time(), tzinfo=self.zone)

    def _add(self, key: object, calendar: WorkCalendar) -> None:
        self._index[key] = len(self.built)
        self.built.append(calendar)
