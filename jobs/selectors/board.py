"""
The booking board as values: rows of crews and machines, or of jobs, over some weeks of a plan.

The number of queries does not grow with the rows: bookings are read as plain values, and every
crew, machine and job once.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from django.utils import timezone

from contractor.trade.phases import PHASE_TABLE, Performer
from crews.models import DayOff, Equipment, Firm
from jobs.drawing.board import Bar, DayWeather, Gap, Line, Stake
from jobs.drawing.board_bays import Bays, lay_out
from jobs.drawing.board_shapes import family_of, short_of
from jobs.models import Booking, Phase, Plan, PlannedWait
from jobs.selectors import board_version, holds, plans
from jobs.selectors.board_extras import Window, days_weather, lent_people, stakes, time_aside
from jobs.selectors.crew_load import active_crews
from jobs.selectors.open_work import days_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from crews.models import Crew

SHORTEST_GAP = timedelta(hours=4)
# Digging follows layout in one visit, and waits for its ticket: the wait is of both.
SOON_AFTER = timedelta(hours=2)
# Nobody chases a hold of later work yet, and a season's jobs would take seconds to ask. Our own.
HOLDS_WITHIN = timedelta(weeks=6)
# A start that moves by less is no other day to anybody; the same as in a plan's cost.
SAME_START = timedelta(hours=4)


@dataclass(frozen=True, slots=True)
class Shown:
    """What a board shows: from a day on, so many days, wide or narrow, by crew or by job."""

    first_day: date
    days: int
    bay_px: int
    by_job: bool = False
    published: bool = False


@dataclass(frozen=True, slots=True)
class Board:
    """A plan's bookings in some days, ready to be drawn; `version` is its state when read."""

    version: str
    plan: Plan | None
    bays: Bays
    lines: tuple[Line, ...]
    weather: tuple[DayWeather, ...]
    weather_area: str
    stakes: tuple[Stake, ...]
    freeze_until: datetime | None


@dataclass(frozen=True, slots=True)
class _Row:
    """A booking as it is read: only what a bar needs."""

    pk: int
    phase: int
    crew: int | None
    crew_name: str
    starts_at: datetime
    ends_at: datetime
    is_pinned: bool
    because: str
    code: str
    status: str
    share_done: float
    started_at: datetime | None
    job: int
    number: str
    buyer: str
    town: str


_COLUMNS = (
    "pk",
    "phase",
    "crew",
    "crew__name",
    "starts_at",
    "ends_at",
    "is_pinned",
    "because",
    "phase__code",
    "phase__status",
    "phase__share_done",
    "phase__started_at",
    "phase__job",
    "phase__job__number",
    "phase__job__buyer_name",
    "phase__job__site_town",
)


def board(*, shown: Shown, now: datetime) -> Board:
    """Return what a board shows of the plan at hand, or of the published one."""
    version = board_version.version()
    plan = plans.published_plan() if shown.published else board_version.plan_at_hand()
    return _Reader(shown, plan, now).read(version)


class _Reader:
    """Puts the rows of a board together."""

    def __init__(self, shown: Shown, plan: Plan | None, now: datetime) -> None:
        self.shown, self.plan, self.now = shown, plan, now
        self.zone = ZoneInfo(timezone.get_default_timezone_name())
        self.days = tuple(shown.first_day + timedelta(days=n) for n in range(shown.days))
        self.window = Window(self.days, self.zone)
        self.begins, self.ends = self.window.begins, self.window.ends
        self.crews = list(active_crews())
        self.firm_off = self._firm_off()
        self.bays = self._bays()
        self.rows = self._rows(plan)
        self.told = self._told()
        soon = now + HOLDS_WITHIN
        near = {row.job for row in self.rows if row.starts_at < soon}
        self.held = holds.told_to_crews(now=now, jobs=near)
        self.waits = self._waits()
        self.promises = plans.promises(plan) if plan else []
        self.late = {row.job.pk for row in self.promises if row.days_late}

    def read(self, version: str) -> Board:
        """Return all of it."""
        lines = self._by_job() if self.shown.by_job else self._by_crew()
        weather, area = days_weather(self.window, now=self.now)
        return Board(
            version=version,
            plan=self.plan,
            bays=self.bays,
            lines=tuple(lines),
            weather=tuple(weather),
            weather_area=area,
            stakes=tuple(stakes(self.promises)),
            freeze_until=self._freeze_until(),
        )

    def _firm_off(self) -> dict[date, str]:
        """Return the days on which nobody works, with their reasons."""
        rows = DayOff.objects.filter(
            crew=None, equipment=None, last_day__gte=self.days[0], first_day__lte=self.days[-1]
        ).order_by("id")
        return {day: row.reason for row in rows for day in days_of([row])}

    def _bays(self) -> Bays:
        weeks = [crew.work_hours.week() for crew in self.crews]
        shifts = [shift for week in weeks for day in week.values() for shift in day]
        weekdays = {weekday for week in weeks for weekday in week} or set(range(5))
        return lay_out(
            [(d, d.weekday() in weekdays and d not in self.firm_off) for d in self.days],
            bay_px=self.shown.bay_px,
            opens=min((_hours(shift[0]) for shift in shifts), default=7.0),
            closes=max((_hours(shift[1]) for shift in shifts), default=16.0),
            zone=self.zone,
        )

    def _rows(self, plan: Plan | None) -> list[_Row]:
        if plan is None:
            return []
        inside = Booking.objects.filter(
            plan=plan, starts_at__lt=self.ends, ends_at__gt=self.begins
        ).order_by("starts_at", "id")
        return [_Row(*values) for values in inside.values_list(*_COLUMNS)]

    def _told(self) -> Mapping[int, tuple[int | None, str, datetime]]:
        """Return who was told what of each phase, where the board shows a draft."""
        if self.plan is None or self.plan.status != Plan.Status.DRAFT:
            return {}
        rows = Booking.objects.filter(is_live=True, phase__in=[row.phase for row in self.rows])
        return {
            phase: (crew, name or "", starts_at)
            for phase, crew, name, starts_at in rows.values_list(
                "phase", "crew", "crew__name", "starts_at"
            )
        }

    def _by_crew(self) -> Iterator[Line]:
        by_crew: dict[int | None, list[_Row]] = defaultdict(list)
        for row in self.rows:
            by_crew[row.crew].append(row)
        aside, lent = time_aside(self.window), lent_people(self.window)
        for crew in self.crews:
            rows = by_crew.get(crew.pk, [])
            yield Line(
                key=f"crew-{crew.pk}",
                title=crew.name,
                about=_about(crew),
                bars=(*(self._bar(row) for row in rows), *aside.get(crew.pk, ())),
                gaps=(*self._crew_gaps(crew, rows), *lent.get(crew.pk, ())),
            )
        yield from self._machines()
        others = by_crew.get(None, [])
        visits = [row for row in others if _performer(row) is Performer.AUTHORITY]
        trades = [row for row in others if _performer(row) is not Performer.AUTHORITY]
        for key, title, rows in (("visits", "Inspectors", visits), ("trades", "Trades", trades)):
            if rows:
                yield Line(key, title, "", tuple(self._bar(row) for row in rows))

    def _by_job(self) -> Iterator[Line]:
        by_job: dict[int, list[_Row]] = defaultdict(list)
        for row in self.rows:
            by_job[row.job].append(row)
        promised = {row.job.pk: row.promised_on for row in self.promises}
        for job, rows in by_job.items():
            day = promised.get(job)
            words = f"promised {day:%b} {day.day}" if day else "no promise"
            yield Line(
                key=f"job-{job}",
                title=f"{rows[0].number} {rows[0].town}",
                about=f"{words}, late" if job in self.late else words,
                bars=tuple(self._bar(row) for row in rows),
                gaps=tuple(
                    Gap(max(w.starts_at, self.begins), min(w.ends_at, self.ends), w.basis)
                    for w in self.waits.get(job, ())
                ),
            )

    def _machines(self) -> Iterator[Line]:
        by_pk = {row.pk: row for row in self.rows}
        used: dict[int, list[_Row]] = defaultdict(list)
        pairs = Booking.equipment.through.objects.filter(
            booking__plan=self.plan,
            booking__starts_at__lt=self.ends,
            booking__ends_at__gt=self.begins,
        )
        for booking, machine_pk in pairs.values_list("booking", "equipment"):
            if booking in by_pk:
                used[machine_pk].append(by_pk[booking])
        off = DayOff.objects.exclude(equipment=None).filter(
            last_day__gte=self.days[0], first_day__lte=self.days[-1]
        )
        away: dict[int, list[Gap]] = defaultdict(list)
        for row in off:
            away[row.equipment_id or 0].append(
                self._days_gap(row.first_day, row.last_day, row.reason)
            )
        for machine in Equipment.objects.filter(is_active=True).order_by("kind", "name"):
            rows = sorted(used.get(machine.pk, []), key=lambda row: (row.starts_at, row.pk))
            yield Line(
                key=f"machine-{machine.pk}",
                title=machine.name,
                about=machine.get_kind_display(),
                bars=tuple(self._bar(row, on_machine=True) for row in rows),
                gaps=tuple(away.get(machine.pk, ())),
            )

    def _bar(self, row: _Row, *, on_machine: bool = False) -> Bar:
        code, status = row.code, row.status
        told = self.told.get(row.phase)
        moved = told is not None and (
            told[0] != row.crew or abs(told[2] - row.starts_at) >= SAME_START
        )
        waits = self.held.get((row.job, code), ()) if status == Phase.Status.OPEN else ()
        starts_at = min(row.starts_at, row.started_at or row.starts_at)
        words = [
            f"{row.number} {row.town}",
            PHASE_TABLE[code].label,
            f"{self.window.when(starts_at)} to {self.window.when(row.ends_at)}",
        ]
        if row.crew_name and (on_machine or self.shown.by_job):
            words.append(row.crew_name)
        words += self._states(row, told if moved else None)
        words += [text.rstrip(".") for text in waits]
        return Bar(
            key=row.phase,
            job=row.number,
            label=f"{row.number} {row.town}" if not self.shown.by_job else "",
            short=short_of(code),
            name=", ".join(words),
            family=family_of(code),
            starts_at=starts_at,
            ends_at=row.ends_at,
            share_done=row.share_done,
            is_done=status == Phase.Status.DONE,
            is_under_way=status == Phase.Status.UNDER_WAY,
            is_pinned=row.is_pinned,
            is_late=row.job in self.late,
            moved=moved,
            waits=bool(waits),
            moves_from=(row.crew or 0) if status == Phase.Status.OPEN and not on_machine else 0,
        )

    def _states(self, row: _Row, told: tuple[int | None, str, datetime] | None) -> Iterator[str]:
        if row.status == Phase.Status.DONE:
            yield "done"
        if row.status == Phase.Status.UNDER_WAY:
            yield f"under way, {row.share_done:.0%} done"
        if row.is_pinned:
            yield "pinned"
        if row.job in self.late:
            yield "its job is late"
        if told is not None:
            who = f" with {told[1]}" if told[0] != row.crew and told[1] else ""
            yield f"moved, people know {self.window.when(told[2])}{who}"

    def _crew_gaps(self, crew: Crew, rows: Sequence[_Row]) -> Iterator[Gap]:
        """Yield a crew's days off, and the time between its bookings with what it waits for."""
        week = crew.work_hours.week()
        off = {
            day: row.reason
            for row in crew.days_off.all()
            for day in days_of([row])
            if self.days[0] <= day <= self.days[-1]
        }
        for day, reason in off.items():
            if day not in self.firm_off and day.weekday() in week:
                yield self._days_gap(day, day, reason)
        free_from = max(self.begins, self.now)
        for row in rows:
            if row.starts_at - free_from >= SHORTEST_GAP and self._works(
                week, off, free_from, row.starts_at
            ):
                yield Gap(free_from, row.starts_at, self._why(row, free_from))
            free_from = max(free_from, row.ends_at)

    def _why(self, row: _Row, free_from: datetime) -> str:
        """
        Return why a crew has no work before a booking.

        Its hold, else the wait that ends last before it or what it begins a stay with, else what
        binds its start in the plan.
        """
        held = self.held.get((row.job, row.code), ())
        if held and row.status == Phase.Status.OPEN:
            return " ".join(held)
        soon = row.ends_at + SOON_AFTER
        waits = [w for w in self.waits.get(row.job, ()) if free_from < w.ends_at <= soon]
        last = max(waits, key=lambda wait: wait.ends_at, default=None)
        return last.basis if last else row.because

    def _works(
        self,
        week: Mapping[int, tuple[tuple[time, time], ...]],
        off: Mapping[date, str],
        begins: datetime,
        ends: datetime,
    ) -> bool:
        """Return whether a crew has half a day of its shifts between two moments."""
        day, last, hours = timezone.localdate(begins), timezone.localdate(ends), 0.0
        while day <= last and hours < 4:
            if day not in off and day not in self.firm_off:
                for opens, closes in week.get(day.weekday(), ()):
                    first = max(datetime.combine(day, opens, tzinfo=self.zone), begins)
                    until = min(datetime.combine(day, closes, tzinfo=self.zone), ends)
                    hours += max(0.0, (until - first).total_seconds() / 3600)
            day += timedelta(days=1)
        return hours >= 4

    def _waits(self) -> Mapping[int, Sequence[PlannedWait]]:
        """Return the waits of these days by job, in order of time."""
        found: dict[int, list[PlannedWait]] = defaultdict(list)
        rows = PlannedWait.objects.filter(
            plan=self.plan, starts_at__lt=self.ends, ends_at__gt=self.begins
        ).order_by("starts_at", "id")
        for wait in rows:
            if wait.ends_at - wait.starts_at >= SHORTEST_GAP:
                found[wait.job_id].append(wait)
        return found

    def _freeze_until(self) -> datetime | None:
        firm = Firm.objects.only("freeze_days").first()
        if firm is None or not firm.freeze_days:
            return None
        return self.window.midnight(timezone.localdate(self.now) + timedelta(days=firm.freeze_days))

    def _days_gap(self, first: date, last: date, reason: str) -> Gap:
        begins = max(self.begins, self.window.midnight(first))
        ends = min(self.ends, self.window.midnight(last + timedelta(days=1)))
        return Gap(begins, ends, reason, "off")


def _performer(row: _Row) -> Performer:
    return PHASE_TABLE[row.code].performer


def _about(crew: Crew) -> str:
    people = f"{crew.size} people"
    return f"{people}, {crew.lead_name}" if crew.lead_name else people


def _hours(clock: time) -> float:
    return clock.hour + clock.minute / 60
