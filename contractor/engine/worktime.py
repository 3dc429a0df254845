"""The time axis in quarter hours, and working calendars upon it.

A slot is a quarter of an hour counted from the origin of an axis. Work is counted in the working
slots of one calendar; waits run on the axis itself. Both directions, from a slot to the work done
before it and from an amount of work to the slot that ends it, are one table look-up.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from contractor.engine.worktime_holidays import named_holidays, public_holidays

__all__ = [
    "SLOTS_PER_DAY",
    "SLOTS_PER_HOUR",
    "SLOT_MINUTES",
    "Axis",
    "HorizonExceeded",
    "WorkCalendar",
    "always_open",
    "named_holidays",
    "public_holidays",
    "weekly_calendar",
]

SLOT_MINUTES = 15
SLOTS_PER_HOUR = 60 // SLOT_MINUTES
SLOTS_PER_DAY = 24 * SLOTS_PER_HOUR

DayPattern = Sequence[tuple[time, time]]

_SLOT = timedelta(minutes=SLOT_MINUTES)
_DAY_MINUTES = 24 * 60
_NO_SPECIAL_DAYS: Mapping[date, DayPattern] = MappingProxyType({})


class HorizonExceeded(Exception):  # noqa: N818 - a signal to the caller, who recovers
    """Something would end after the axis does; the caller builds a longer axis and tries again."""


@dataclass(frozen=True, slots=True)
class Axis:
    """`slots` quarter hours from `origin`, which is kept in UTC."""

    origin: datetime
    slots: int

    def __post_init__(self) -> None:
        _require_aware("origin", self.origin)
        origin = self.origin.astimezone(UTC)
        if (origin.minute % SLOT_MINUTES, origin.second, origin.microsecond) != (0, 0, 0):
            raise ValueError(f"origin {self.origin.isoformat()}: must lie on a quarter hour of UTC")
        if self.slots < 1:
            raise ValueError(f"slots {self.slots}: an axis needs at least one slot")
        object.__setattr__(self, "origin", origin)

    def slot_at_or_after(self, instant: datetime) -> int:
        """Return the first slot that begins at or after `instant`."""
        return -(-self._elapsed(instant) // _SLOT)

    def slot_at_or_before(self, instant: datetime) -> int:
        """Return the last slot that begins at or before `instant`."""
        return self._elapsed(instant) // _SLOT

    def instant(self, slot: int) -> datetime:
        """Return the moment, in UTC, at which `slot` begins; `slots` itself is the axis's end."""
        if not 0 <= slot <= self.slots:
            raise HorizonExceeded(f"slot {slot} is outside 0 to {self.slots}")
        return self.origin + slot * _SLOT

    def _elapsed(self, instant: datetime) -> timedelta:
        _require_aware("instant", instant)
        elapsed = instant - self.origin
        if elapsed < timedelta(0):
            raise ValueError(
                f"instant {instant.isoformat()}: lies before the axis, which begins at "
                f"{self.origin.isoformat()}; begin the axis earlier"
            )
        if elapsed > self.slots * _SLOT:
            raise HorizonExceeded(
                f"instant {instant.isoformat()} lies beyond the axis, which ends at "
                f"{self.instant(self.slots).isoformat()}"
            )
        return elapsed


class WorkCalendar:
    """Which slots of an axis are worked. Immutable.

    Tables, for use in inner loops: `before[t]` is the number of working slots before slot t (one
    entry more than the axis has slots), `slot_of[n]` the n-th working slot, `total` their number.
    They are memory views because these give plain ints several times faster than arrays do.
    """

    __slots__ = ("before", "key", "slot_of", "slots", "total", "working")

    def __init__(self, key: str, working: NDArray[np.bool_]) -> None:
        if working.ndim != 1 or working.size == 0:
            raise ValueError(f"calendar {key!r}: working has shape {working.shape}; needs one row")
        table = np.array(working, dtype=np.bool_)
        before = np.zeros(table.size + 1, dtype=np.int32)
        np.cumsum(table, out=before[1:])
        slot_of = np.flatnonzero(table).astype(np.int32)
        for array in (table, before, slot_of):
            array.flags.writeable = False
        self.key = key
        self.working = table
        self.slots = int(table.size)
        self.total = int(slot_of.size)
        self.before = before.data
        self.slot_of = slot_of.data

    def __reduce__(self) -> tuple[Any, ...]:
        return (WorkCalendar, (self.key, self.working))

    def __repr__(self) -> str:
        return f"WorkCalendar({self.key!r}, {self.total} of {self.slots} slots worked)"

    def is_working(self, slot: int) -> bool:
        """Return whether `slot` is worked; the end of the axis is not."""
        return self._on_axis(slot) < self.slots and bool(self.working[slot])

    def next_working(self, slot: int) -> int:
        """Return the first working slot at or after `slot`."""
        index = self.before[self._on_axis(slot)]
        if index >= self.total:
            raise HorizonExceeded(f"calendar {self.key!r}: no working time after slot {slot}")
        return int(self.slot_of[index])

    def finish(self, start: int, work_slots: int) -> int:
        """Return the exclusive end slot of `work_slots` of work begun at or after `start`.

        Work pauses whenever the calendar does not work, so the end is one past the last slot
        worked. No work at all ends where it could begin: at the next working slot.
        """
        if work_slots < 0:
            raise ValueError(f"work_slots {work_slots}: cannot be negative")
        if work_slots == 0:
            return self.next_working(start)
        last = self.before[self._on_axis(start)] + work_slots - 1
        if last >= self.total:
            raise HorizonExceeded(
                f"calendar {self.key!r}: {work_slots} slots of work from slot {start} "
                "do not end on the axis"
            )
        return int(self.slot_of[last]) + 1

    def work_between(self, a: int, b: int) -> int:
        """Return the number of working slots from slot `a` up to, not including, slot `b`."""
        if b < a:
            raise ValueError(f"slots {a} to {b}: the second must not come before the first")
        return int(self.before[self._on_axis(b)] - self.before[self._on_axis(a)])

    def _on_axis(self, slot: int) -> int:
        if slot < 0:
            raise ValueError(f"slot {slot}: lies before the axis")
        if slot > self.slots:
            raise HorizonExceeded(f"slot {slot} lies beyond the axis of {self.slots} slots")
        return slot


def always_open(key: str, axis: Axis) -> WorkCalendar:
    """Return a calendar that works every slot of `axis`."""
    return WorkCalendar(key, np.ones(axis.slots, dtype=np.bool_))


def weekly_calendar(
    *,
    key: str,
    axis: Axis,
    zone: ZoneInfo,
    weekly: Mapping[int, DayPattern],
    closed: Collection[date] = (),
    special: Mapping[date, DayPattern] = _NO_SPECIAL_DAYS,
    late_start_minutes: int = 0,
    early_end_minutes: int = 0,
) -> WorkCalendar:
    """Return the calendar of a weekly pattern (0 is Monday) in local time of `zone`.

    A day's hours are, first found: those of `special` (which also opens a closed day), none when
    it is in `closed`, those of `weekly`. An end of 00:00 means midnight at the day's end. The
    minutes cut off the day's two ends (driving to a far site). Slots worked only in part do not
    count. A local time that a change of clocks skips is read with the offset before the change,
    one that comes twice is the first: RFC 5545 section 3.3.5 (from memory).
    Raises ValueError for a wrong weekday, hours out of order, or negative minutes.
    """
    for name, minutes in (
        ("late_start_minutes", late_start_minutes),
        ("early_end_minutes", early_end_minutes),
    ):
        if minutes < 0:
            raise ValueError(f"calendar {key!r}: {name} {minutes} cannot be negative")
    if wrong := sorted(set(weekly) - set(range(7))):
        raise ValueError(f"calendar {key!r}: weekly has day {wrong[0]}; days are 0 to 6")
    cut = (late_start_minutes, early_end_minutes)
    by_weekday = [_day_minutes(key, f"weekday {d}", weekly.get(d, ()), *cut) for d in range(7)]
    by_date = {d: _day_minutes(key, d.isoformat(), hours, *cut) for d, hours in special.items()}
    by_date = dict.fromkeys(closed, ()) | by_date

    working = np.zeros(axis.slots, dtype=np.bool_)
    for day, midnight, clocks_change in _days(axis, zone):
        for begins, ends in by_date.get(day, by_weekday[day.weekday()]):
            if clocks_change:
                first = _minutes_from_origin(axis, zone, day, begins)
                last = _minutes_from_origin(axis, zone, day, ends)
            else:
                first, last = midnight + begins, midnight + ends
            working[max(0, -(-first // SLOT_MINUTES)) : max(0, last // SLOT_MINUTES)] = True
    return WorkCalendar(key, working)


def _day_minutes(
    key: str, where: str, hours: DayPattern, late_minutes: int, early_minutes: int
) -> tuple[tuple[int, int], ...]:
    """Return one day's hours as minutes from local midnight, cut at both ends of the day."""
    spans = []
    previous = 0
    for begins, ends in hours:
        first = begins.hour * 60 + begins.minute
        last = ends.hour * 60 + ends.minute or _DAY_MINUTES
        if not previous <= first < last:
            raise ValueError(
                f"calendar {key!r}, {where}: {begins:%H:%M} to {ends:%H:%M} is out of order; "
                "give hours that follow one another and split night work at midnight"
            )
        spans.append((first, last))
        previous = last
    if not spans:
        return ()
    opens, closes = spans[0][0] + late_minutes, spans[-1][1] - early_minutes
    cut = ((max(first, opens), min(last, closes)) for first, last in spans)
    return tuple((first, last) for first, last in cut if first < last)


@lru_cache(maxsize=4)
def _days(axis: Axis, zone: ZoneInfo) -> tuple[tuple[date, int, bool], ...]:
    """Return each local day of an axis, its midnight in minutes from the origin, and whether its
    clocks change. The same for every calendar of a problem, and asking the zone takes longest.
    """
    first = axis.origin.astimezone(zone).date()
    last = axis.instant(axis.slots).astimezone(zone).date()
    dates = [first + timedelta(days=n) for n in range((last - first).days + 2)]
    midnights = [_minutes_from_origin(axis, zone, day, 0) for day in dates]
    return tuple(
        (day, midnight, following - midnight != _DAY_MINUTES)
        for day, midnight, following in zip(dates, midnights, midnights[1:], strict=False)
    )


def _minutes_from_origin(axis: Axis, zone: ZoneInfo, day: date, minutes: int) -> int:
    days, rest = divmod(minutes, _DAY_MINUTES)
    wall = datetime.combine(day + timedelta(days=days), time(rest // 60, rest % 60), tzinfo=zone)
    return int((wall.astimezone(UTC) - axis.origin).total_seconds() // 60)


def _require_aware(name: str, instant: datetime) -> None:
    if instant.utcoffset() is None:
        raise ValueError(f"{name} {instant.isoformat()}: has no time zone; give an aware datetime")
