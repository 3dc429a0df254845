"""What the board shows beside bookings: time set aside, lent people, weather, promises."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING

from contractor.trade.weather import PHASE_GATES, Level
from inspections.selectors.weather import weather_at
from jobs.drawing.board_shapes import Family
from jobs.drawing.board_values import Bar, DayWeather, Gap, Stake
from jobs.models import LentPeople, SetAside

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from zoneinfo import ZoneInfo

    from jobs.selectors.plans import Promise

# Each short enough for the narrowest day that shows weather.
_GATE_WORDS = {
    "GROUND": "dig",
    "CONCRETE": "pour",
    "TRUSS": "truss",
    "ROOF": "roof",
    "WALL": "wall",
}


@dataclass(frozen=True, slots=True)
class Window:
    """The days of a board, at the site's clock."""

    days: tuple[date, ...]
    zone: ZoneInfo

    @property
    def begins(self) -> datetime:
        """Return the first midnight."""
        return self.midnight(self.days[0])

    @property
    def ends(self) -> datetime:
        """Return the midnight after the last day."""
        return self.midnight(self.days[-1] + timedelta(days=1))

    def midnight(self, day: date) -> datetime:
        """Return when a day begins, in UTC, so that such moments subtract by the clock."""
        return datetime.combine(day, time(), tzinfo=self.zone).astimezone(UTC)

    def when(self, moment: datetime) -> str:
        """Return a moment in words."""
        return _when(moment, self.zone)


@lru_cache(maxsize=4096)  # most bars begin and end when a day does
def _when(moment: datetime, zone: ZoneInfo) -> str:
    local = moment.astimezone(zone)
    return f"{local:%a %b} {local.day} {local.hour}:{local:%M}"


def time_aside(window: Window) -> Mapping[int, Sequence[Bar]]:
    """Return the time that is kept for other work, by crew."""
    found: dict[int, list[Bar]] = defaultdict(list)
    rows = SetAside.objects.filter(starts_at__lt=window.ends, ends_at__gt=window.begins)
    for row in rows.select_related("job"):
        where = f" {row.job.number}" if row.job else ""
        note = f", {row.note}" if row.note else ""
        what = f"{row.get_kind_display()}{where}"
        when = f"{window.when(row.starts_at)} to {window.when(row.ends_at)}"
        found[row.crew_id].append(
            Bar(
                key=0,
                job=f"aside {row.pk}",
                label=what,
                short=row.get_kind_display().split()[0],
                name=f"{what}, {when}{note}",
                family=Family.ASIDE,
                starts_at=row.starts_at,
                ends_at=row.ends_at,
            )
        )
    return found


def lent_people(window: Window) -> Mapping[int, Sequence[Gap]]:
    """Return who works with another crew, by both crews."""
    found: dict[int, list[Gap]] = defaultdict(list)
    rows = LentPeople.objects.filter(last_day__gte=window.days[0], first_day__lte=window.days[-1])
    for row in rows.select_related("from_crew", "to_crew"):
        begins = max(window.begins, window.midnight(row.first_day))
        ends = min(window.ends, window.midnight(row.last_day + timedelta(days=1)))
        note = f": {row.note}" if row.note else ""
        lends = f"lends {row.people} to {row.to_crew}{note}"
        borrows = f"has {row.people} of {row.from_crew}{note}"
        found[row.from_crew_id].append(Gap(begins, ends, lends, "lent"))
        found[row.to_crew_id].append(Gap(begins, ends, borrows, "lent"))
    return found


def days_weather(window: Window, *, now: datetime) -> tuple[list[DayWeather], str]:
    """Return the days that the default area's forecast reaches, and the area's name."""
    areas = weather_at(now).areas
    area = next((a for a in areas if a.area.is_default), areas[0] if areas else None)
    if area is None:
        return [], ""
    told = []
    for day in window.days:
        hours = [hour for hour in area.hours_of(day) if hour is not None]
        temps = [hour.temp_degf for hour in hours if hour.temp_degf is not None]
        if not temps or not area.is_known(day):
            continue
        verdicts = [(gate, area.verdict(gate, day)) for gate in PHASE_GATES]
        stopped = [(g, v) for g, v in verdicts if v is not None and v.level is Level.STOP]
        air = f"{min(temps):.0f}–{max(temps):.0f}°"
        words = "; ".join(f"stops {g.label.lower()}: {v.why}" for g, v in stopped if v)
        stops = tuple(_GATE_WORDS[gate.value] for gate, _ in stopped)
        when = f"{day:%a %b} {day.day}, {air.removesuffix('°')} °F"
        told.append(DayWeather(day, air, stops, f"{when}; {words or 'no work is stopped'}"))
    return told, area.area.name


def stakes(promises: Sequence[Promise], window: Window) -> Iterator[Stake]:
    """Yield those promises of a plan's jobs that are for these days."""
    first, last = window.days[0], window.days[-1]
    for row in promises:
        if row.promised_on is None or not first <= row.promised_on <= last:
            continue
        finish = row.planned_finish_on
        planned = f"planned finish {finish:%b} {finish.day}" if finish else "no finish"
        late = f", {row.days_late} days late" if row.days_late else ", kept"
        day = row.promised_on
        words = f"{row.job} promised {day:%b} {day.day}, {planned}{late}"
        yield Stake(day, row.job.number, bool(row.days_late), words)
