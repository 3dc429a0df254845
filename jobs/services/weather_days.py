"""What weather leaves of a working calendar, day by day, and what to tell of it."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np

from contractor.engine.worktime import Axis, WorkCalendar

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from inspections.selectors.weather import SiteWeather


class LocalDays:
    """The local days of an axis, each with the slot at which it begins."""

    def __init__(self, axis: Axis, zone: ZoneInfo) -> None:
        first = axis.origin.astimezone(zone).date()
        last = axis.instant(axis.slots).astimezone(zone).date()
        self.days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
        self._zone = zone
        edges = [self._slot(axis, day) for day in [*self.days, last + timedelta(days=1)]]
        self._shares: dict[object, NDArray[np.float64]] = {}
        self._edges = np.clip(np.array(edges, dtype=np.int64), 0, axis.slots)

    def span_of(self, day: date) -> tuple[int, int]:
        """Return the slots at which a local day begins and ends, within the axis."""
        index = min(max((day - self.days[0]).days, -1), len(self.days))
        if not 0 <= index < len(self.days):
            edge = 0 if index < 0 else int(self._edges[-1])
            return edge, edge
        return int(self._edges[index]), int(self._edges[index + 1])

    def without_weather(self, clear: WorkCalendar, weather: SiteWeather) -> WorkCalendar:
        """
        Return what weather leaves of a calendar.

        A stopped day is taken whole. A day beyond what is known loses its share at its end, in
        whole quarter hours, and keeps one at least; by the day alone, so that a plan that is made
        at a later hour finds the same days.
        """
        before = np.asarray(clear.before)
        begins, ends = before[self._edges[:-1]], before[self._edges[1:]]
        counts = ends - begins
        taken = np.repeat(self._taken(counts, weather), counts)
        from_end = np.repeat(ends, counts) - np.arange(begins[0], ends[-1]) - 1
        slots = np.asarray(clear.slot_of)[begins[0] : ends[-1]]
        working = clear.working.copy()
        working[slots[from_end < taken]] = False
        return WorkCalendar(f"{clear.key}, {weather.area}, {weather.gate.label.lower()}", working)

    def _taken(self, counts: NDArray[np.int32], weather: SiteWeather) -> NDArray[np.int64]:
        """Return how many slots of each day weather takes."""
        if weather.key not in self._shares:
            self._shares[weather.key] = np.array([weather.share_on(day) for day in self.days])
        shares = self._shares[weather.key]
        taken = np.minimum(np.rint(shares * counts), np.maximum(counts - 1, 0)).astype(np.int64)
        first = self.days[0]
        for stopped in weather.stopped:
            index = (stopped.day - first).days
            if 0 <= index < len(self.days):
                taken[index] = counts[index]
        return taken

    def _slot(self, axis: Axis, day: date) -> int:
        midnight = datetime.combine(day, time(), tzinfo=self._zone)
        return -(-int((midnight - axis.origin).total_seconds()) // (15 * 60))
