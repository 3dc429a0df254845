"""The time of a crew without bookings: days off, and what its next work waits for."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from contractor.engine.schedule import Bind
from contractor.trade.phases import WaitKind
from jobs.drawing.board_values import Gap
from jobs.models import Phase, PlannedWait
from jobs.selectors.open_work import days_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence
    from datetime import date, time

    from crews.models import Crew
    from jobs.models import Plan
    from jobs.selectors.board_extras import Window
    from jobs.selectors.board_rows import BoardRow

SHORTEST_GAP, LEAST_HOURS = timedelta(hours=4), 4
# Digging follows layout in one visit, and waits for its ticket: the wait is of both.
SOON_AFTER = timedelta(hours=2)

_SHORT_WAITS: Mapping[str, str] = {
    WaitKind.CURE: "cure",
    WaitKind.INSPECTION_NOTICE: "visit",
    WaitKind.LOCATE: "locate",
    WaitKind.DELIVERY: "delivery",
    WaitKind.PERMIT: "permit",
}
_SHORT_BINDS: Mapping[str, str] = {
    Bind.RELEASE: "date",
    Bind.LINK: "before",
    Bind.CREW: "crew",
    Bind.MACHINE: "machine",
    Bind.CALENDAR: "hours",
    Bind.WINDOW: "window",
    Bind.PIN: "pinned",
    Bind.FROZEN: "told",
}


@dataclass(frozen=True, slots=True)
class Gaps:
    """Tells gaps of crews and jobs: `held` and `waits` by job, `firm_off` by day."""

    window: Window
    now: datetime
    firm_off: Mapping[date, str]
    held: Mapping[tuple[int, str], Sequence[str]]
    waits: Mapping[int, Sequence[PlannedWait]]
    _shifts: dict[tuple[int, frozenset[date]], _Worked] = field(default_factory=dict)

    def of_crew(self, crew: Crew, rows: Sequence[BoardRow]) -> Iterator[Gap]:
        """Yield a crew's days off, and the time between its bookings with what it waits for."""
        week = crew.work_hours.week()
        first, last = self.window.days[0], self.window.days[-1]
        off = {
            day: row.reason
            for row in crew.days_off.all()
            for day in days_of([row])
            if first <= day <= last and day not in self.firm_off and day.weekday() in week
        }
        yield from self._stretches(off)
        worked = self._worked(crew, off)
        free_from = max(self.window.begins, self.now)
        for row in rows:
            if row.starts_at - free_from >= SHORTEST_GAP and (
                worked.between(free_from, row.starts_at) >= LEAST_HOURS
            ):
                yield self._before(row, free_from)
            free_from = max(free_from, row.ends_at)

    def of_job(self, job: int) -> Iterator[Gap]:
        """Yield the waits of a job."""
        for wait in self.waits.get(job, ()):
            begins = max(wait.starts_at, self.window.begins)
            ends = min(wait.ends_at, self.window.ends)
            yield Gap(begins, ends, wait.basis, short=_short_of(wait))

    def days_off(self, first: date, last: date, reason: str) -> Gap:
        """Return days off as a gap, as far as the board shows them."""
        begins = max(self.window.begins, self.window.midnight(first))
        ends = min(self.window.ends, self.window.midnight(last + timedelta(days=1)))
        return Gap(begins, ends, reason, "off")

    def _worked(self, crew: Crew, off: Mapping[date, str]) -> _Worked:
        key = (crew.work_hours_id, frozenset(off))
        if key not in self._shifts:
            closed = off.keys() | self.firm_off.keys()
            self._shifts[key] = _Worked(crew.work_hours.week(), closed, self.window)
        return self._shifts[key]

    def _stretches(self, off: Mapping[date, str]) -> Iterator[Gap]:
        """Yield days off that follow each other for one reason as one box."""
        days = sorted(off)
        begun = 0
        for n, day in enumerate(days):
            following = days[n + 1] if n + 1 < len(days) else None
            goes_on = following == day + timedelta(days=1) and off[following] == off[day]
            if not goes_on:
                yield self.days_off(days[begun], day, off[day])
                begun = n + 1

    def _before(self, row: BoardRow, free_from: datetime) -> Gap:
        """
        Return a stretch without work before a booking, with its reason.

        Its hold, else the wait that ends last before it or what it begins a stay with, else what
        binds its start in the plan.
        """
        held = self.held.get((row.job, row.code), ())
        if held and row.status == Phase.Status.OPEN:
            words = " ".join(text.removeprefix("Waits for ") for text in held)
            return Gap(free_from, row.starts_at, _begun_high(words), short=words.split(":")[0])
        soon = row.ends_at + SOON_AFTER
        waits = [w for w in self.waits.get(row.job, ()) if free_from < w.ends_at <= soon]
        last = max(waits, key=lambda wait: wait.ends_at, default=None)
        if last is not None:
            return Gap(free_from, row.starts_at, last.basis, short=_short_of(last))
        short = _SHORT_BINDS.get(row.because_kind.lower(), "")
        return Gap(free_from, row.starts_at, row.because, short=short)


class _Worked:
    """
    The shifts of a crew in the days shown, so that hours between two moments are looked up.

    They are summed once, not walked for each of thousands of nights.
    """

    def __init__(
        self,
        week: Mapping[int, Sequence[tuple[time, time]]],
        off: Collection[date],
        window: Window,
    ) -> None:
        self.begins: list[float] = []
        self.ends: list[float] = []
        self.hours = [0.0]
        for day in window.days:
            for opens, closes in () if day in off else week.get(day.weekday(), ()):
                first, last = (
                    datetime.combine(day, clock, tzinfo=window.zone).timestamp()
                    for clock in (opens, closes)
                )
                self.begins.append(first)
                self.ends.append(last)
                self.hours.append(self.hours[-1] + (last - first) / 3600)

    def between(self, begins: datetime, ends: datetime) -> float:
        """Return the hours of shifts between two moments."""
        return max(0.0, self._until(ends.timestamp()) - self._until(begins.timestamp()))

    def _until(self, moment: float) -> float:
        n = bisect_right(self.begins, moment)
        over = max(0.0, self.ends[n - 1] - moment) / 3600 if n else 0.0
        return self.hours[n] - over


def waits_of(plan: Plan | None, window: Window) -> Mapping[int, Sequence[PlannedWait]]:
    """Return the waits of a plan in these days by job, in order of time."""
    found: dict[int, list[PlannedWait]] = {}
    rows = PlannedWait.objects.filter(
        plan=plan, starts_at__lt=window.ends, ends_at__gt=window.begins
    ).order_by("starts_at", "id")
    for wait in rows:
        if wait.ends_at - wait.starts_at >= SHORTEST_GAP:
            found.setdefault(wait.job_id, []).append(wait)
    return found


def _short_of(wait: PlannedWait) -> str:
    """Return what is waited for in a word; a plan tells kinds of holds here too."""
    return _SHORT_WAITS.get(wait.kind, wait.kind.replace("_", " ").lower())


def _begun_high(words: str) -> str:
    return words[:1].upper() + words[1:]
