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
from jobs.drawing.board_bays import Bays, lay_out
from jobs.drawing.board_values import DayWeather, Gap, Line, Stake
from jobs.models import Booking, Plan
from jobs.selectors import board_version, holds, plans
from jobs.selectors.board_extras import Window, days_weather, lent_people, stakes, time_aside
from jobs.selectors.board_gaps import Gaps, waits_of
from jobs.selectors.board_rows import Bars, BoardRow, rows_of, told_of
from jobs.selectors.crew_load import active_crews
from jobs.selectors.open_work import days_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from crews.models import Crew

# Nobody chases a hold of later work yet, and a season's jobs would take seconds to ask. Our own.
HOLDS_WITHIN = timedelta(weeks=6)


@dataclass(frozen=True, slots=True)
class Shown:
    """
    What a board shows: from a day on, so many days, by crew or by job.

    A working day is `bay_px` wide, or wider where the days have `room_px` to fill.
    """

    first_day: date
    days: int
    bay_px: int
    by_job: bool = False
    published: bool = False
    room_px: int = 0


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
        self.crews = list(active_crews())
        self.firm_off = self._firm_off()
        self.bays = self._bays()
        self.rows = rows_of(plan, self.window)
        soon = now + HOLDS_WITHIN
        near = {row.job for row in self.rows if row.starts_at < soon}
        held = holds.told_to_crews(now=now, jobs=near)
        self.promises = plans.promises(plan) if plan else []
        self.late = {row.job.pk for row in self.promises if row.days_late}
        told = told_of(plan, self.rows)
        self.bars = Bars(self.window, shown.by_job, told, held, self.late)
        waits = waits_of(plan, self.window)
        self.gaps = Gaps(self.window, now, self.firm_off, held, waits)

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
            stakes=tuple(stakes(self.promises, self.window)),
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
            room_px=self.shown.room_px,
            opens=min((_hours(shift[0]) for shift in shifts), default=7.0),
            closes=max((_hours(shift[1]) for shift in shifts), default=16.0),
            zone=self.zone,
        )

    def _by_crew(self) -> Iterator[Line]:
        by_crew: dict[int | None, list[BoardRow]] = defaultdict(list)
        for row in self.rows:
            by_crew[row.crew].append(row)
        aside, lent = time_aside(self.window), lent_people(self.window)
        for crew in self.crews:
            rows = by_crew.get(crew.pk, [])
            yield Line(
                key=f"crew-{crew.pk}",
                title=crew.name,
                about=_about(crew),
                bars=(*self.bars.of_crew(rows, self.now), *aside.get(crew.pk, ())),
                gaps=(*self.gaps.of_crew(crew, rows), *lent.get(crew.pk, ())),
            )
        yield from self._machines()
        others = by_crew.get(None, [])
        visits = [row for row in others if _performer(row) is Performer.AUTHORITY]
        trades = [row for row in others if _performer(row) is not Performer.AUTHORITY]
        for key, title, rows in (("visits", "Inspectors", visits), ("trades", "Trades", trades)):
            if rows:
                yield Line(key, title, "", tuple(self.bars.of(row) for row in rows))

    def _by_job(self) -> Iterator[Line]:
        by_job: dict[int, list[BoardRow]] = defaultdict(list)
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
                bars=tuple(self.bars.of(row) for row in rows),
                gaps=tuple(self.gaps.of_job(job)),
            )

    def _machines(self) -> Iterator[Line]:
        by_pk = {row.pk: row for row in self.rows}
        used: dict[int, list[BoardRow]] = defaultdict(list)
        pairs = Booking.equipment.through.objects.filter(
            booking__plan=self.plan,
            booking__starts_at__lt=self.window.ends,
            booking__ends_at__gt=self.window.begins,
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
                self.gaps.days_off(row.first_day, row.last_day, row.reason)
            )
        for machine in Equipment.objects.filter(is_active=True).order_by("kind", "name"):
            rows = sorted(used.get(machine.pk, []), key=lambda row: (row.starts_at, row.pk))
            yield Line(
                key=f"machine-{machine.pk}",
                title=machine.name,
                about=machine.get_kind_display(),
                bars=tuple(self.bars.of(row, on_machine=True) for row in rows),
                gaps=tuple(away.get(machine.pk, ())),
            )

    def _freeze_until(self) -> datetime | None:
        firm = Firm.objects.only("freeze_days").first()
        if firm is None or not firm.freeze_days:
            return None
        return self.window.midnight(timezone.localdate(self.now) + timedelta(days=firm.freeze_days))


def _performer(row: BoardRow) -> Performer:
    return PHASE_TABLE[row.code].performer


def _about(crew: Crew) -> str:
    people = f"{crew.size} people"
    return f"{people}, {crew.lead_name}" if crew.lead_name else people


def _hours(clock: time) -> float:
    return clock.hour + clock.minute / 60
