"""What is known of the weather: hours by area, what each day means for the work, and how long."""

from __future__ import annotations

from dataclasses import astuple, dataclass, fields
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

from django.utils import timezone

from contractor.trade.weather import (
    PHASE_GATES,
    STARTER_LIMITS,
    DayVerdict,
    HourOfWeather,
    Level,
    WeatherGate,
    WeatherLimits,
    judge_day,
    mud_after,
)
from contractor.trade.weather_allowance import lost_shares
from inspections.models.weather import WeatherArea, WeatherHour, WeatherLimit

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from zoneinfo import ZoneInfo

    from jobs.models import Job

HOUR = timedelta(hours=1)
# Rain before today counts for mud, for at most ten days; temperatures count as long as a slab
# that is poured may still make someone wait, so that its gate does not move to the climate's
# while it cures: at 33 °F it has 70 % after 24 days, and frost adds none.
LOOK_BACK_DAYS = 45
AHEAD_DAYS = 11
# Where several sources tell the same hour, the first of these counts: what was measured, then
# what a person has entered, then what was fetched.
SOURCES = (
    WeatherHour.Source.MEASURED,
    WeatherHour.Source.BY_HAND,
    WeatherHour.Source.CSV,
    WeatherHour.Source.FORECAST,
)
NO_SOIL = ""


@dataclass(frozen=True, slots=True)
class StoppedDay:
    """A day on which weather stops the work behind a gate, and why."""

    day: date
    why: str


@dataclass(frozen=True)
class SiteWeather:
    """
    What weather takes from the work behind one gate at one site.

    `stopped` are the lost days as far as the weather is known; from `unknown_from` on (None:
    always) each day loses `lost_share` of its working time, by month, January first.
    """

    gate: WeatherGate
    area: str
    stopped: tuple[StoppedDay, ...]
    unknown_from: date | None
    lost_share: tuple[float, ...]

    @property
    def takes_anything(self) -> bool:
        """Return whether weather takes any time at all."""
        return bool(self.stopped) or any(self.lost_share)

    @cached_property
    def key(self) -> tuple[object, ...]:
        """Return what a calendar depends on: sites with the same key can share one."""
        return (
            tuple(stopped.day for stopped in self.stopped),
            self.unknown_from if any(self.lost_share) else None,
            self.lost_share,
        )

    def share_on(self, day: date) -> float:
        """Return the share of a day's working time that is kept for weather, 0 to 1."""
        known = self.unknown_from is not None and day < self.unknown_from
        return 0.0 if known else self.lost_share[day.month - 1]

    def why_on(self, day: date) -> str:
        """Return why a day is stopped; empty when it is not."""
        return next((stopped.why for stopped in self.stopped if stopped.day == day), "")


class _HourRow(NamedTuple):
    """What is read of an hour."""

    area_id: int
    starts_at: datetime
    source: str
    temp_degf: float | None
    wind_mph: float | None
    gust_mph: float | None
    rain_in: float | None
    humidity_percent: float | None
    thunder: bool


class AreaWeather:
    """One area's hours around a moment, judged by day and gate when asked."""

    def __init__(
        self,
        *,
        area: WeatherArea,
        hours: Mapping[datetime, HourOfWeather],
        limits: Mapping[WeatherGate, WeatherLimits],
        today: date,
        zone: ZoneInfo,
    ) -> None:
        self.area = area
        self.today = today
        self._hours = hours
        self._limits = limits
        self._zone = zone
        self._verdicts: dict[tuple[WeatherGate, str, date], DayVerdict | None] = {}

    def hours_of(self, day: date) -> list[HourOfWeather | None]:
        """Return the hours of a local day from midnight on, None where nothing is known."""
        first, last = (self._midnight(day + timedelta(days=n)) for n in (0, 1))
        return [self._hours.get(first + n * HOUR) for n in range((last - first) // HOUR)]

    def hours(self) -> list[tuple[datetime, HourOfWeather]]:
        """Return all hours that are known, in order."""
        return sorted(self._hours.items())

    def is_known(self, day: date) -> bool:
        """Return whether enough is known of a day to judge it."""
        return judge_day(self.hours_of(day), WeatherLimits()) is not None

    def verdict(self, gate: WeatherGate, day: date, *, soil: str = "GOOD") -> DayVerdict | None:
        """Return what a day means for the work behind a gate; None where it is not known."""
        of_soil = soil if self._limits[gate].has_mud else NO_SOIL
        key = (gate, of_soil, day)
        if key not in self._verdicts:
            self._verdicts[key] = judge_day(
                self.hours_of(day), self._limits[gate], mud=self._mud(gate, day, of_soil)
            )
        return self._verdicts[key]

    def site(self, gate: WeatherGate, *, soil: str) -> SiteWeather:
        """Return what weather takes from the work behind a gate, in ground of one soil."""
        days = [self.today + timedelta(days=n) for n in range(-1, AHEAD_DAYS)]
        judged = [(day, self.verdict(gate, day, soil=soil)) for day in days]
        return SiteWeather(
            gate=gate,
            area=self.area.name,
            stopped=tuple(
                StoppedDay(day, verdict.why)
                for day, verdict in judged
                if verdict is not None and verdict.level is Level.STOP
            ),
            unknown_from=self.unknown_from,
            lost_share=lost_shares(self.area.normals(), gate, soil=soil),
        )

    @cached_property
    def unknown_from(self) -> date | None:
        """Return the day after the last one that is known from today on; None where none is."""
        days = (self.today + timedelta(days=n) for n in range(AHEAD_DAYS))
        last = max((day for day in days if self.is_known(day)), default=None)
        return None if last is None else last + timedelta(days=1)

    def _mud(self, gate: WeatherGate, day: date, soil: str) -> str:
        if soil == NO_SOIL:
            return ""
        mud_days = self.area.normals().mud_days_of(soil)
        rain = [self._rain_of(day - timedelta(days=ago)) for ago in range(1, mud_days + 1)]
        return mud_after(rain, self._limits[gate], mud_days=mud_days)

    def _rain_of(self, day: date) -> float:
        return sum(hour.rain_in or 0.0 for hour in self.hours_of(day) if hour is not None)

    def _midnight(self, day: date) -> datetime:
        return datetime.combine(day, time(), tzinfo=self._zone).astimezone(UTC)


class Weather:
    """What is known of the weather in all areas, and which area a job's site is in."""

    def __init__(
        self,
        *,
        areas: Sequence[WeatherArea],
        hours: Mapping[int, Mapping[datetime, HourOfWeather]],
        limits: Mapping[WeatherGate, WeatherLimits],
        today: date,
        zone: ZoneInfo,
    ) -> None:
        self.areas = tuple(
            AreaWeather(
                area=area, hours=hours.get(area.pk, {}), limits=limits, today=today, zone=zone
            )
            for area in areas
        )
        self.limits = limits
        self._today = today
        self._zone = zone
        self._sites: dict[tuple[int, str, str], SiteWeather] = {}

    def area_of(self, job: Job) -> AreaWeather | None:
        """Return the area of a job's county, else the default one; None where there is none."""
        return self._by_county.get(f"{job.site_county} {job.site_state}", self._default)

    def site(self, job: Job, gate: str) -> SiteWeather | None:
        """Return what weather takes from a job's work behind a gate; None for nothing."""
        kind = WeatherGate(gate)
        area = self.area_of(job)
        if area is None or kind not in PHASE_GATES:
            return None
        soil = str(job.soil) if self.limits[kind].has_mud else NO_SOIL
        key = (area.area.pk, kind.value, soil)
        if key not in self._sites:
            self._sites[key] = area.site(kind, soil=soil or "GOOD")
        return self._sites[key]

    def told(self) -> dict[str, dict[str, list[float | bool | None]]]:
        """Return all hours as plain values: by area and moment, in the order of the fields."""
        return {
            str(area.area.pk): {at.isoformat(): list(astuple(hour)) for at, hour in area.hours()}
            for area in self.areas
        }

    def as_told(self, told: Mapping[str, Mapping[str, Sequence[Any]]]) -> Weather:
        """Return the weather of the same areas and day as it was told before, by `told`."""
        hours = {
            int(area): {
                datetime.fromisoformat(at): HourOfWeather(*values) for at, values in rows.items()
            }
            for area, rows in told.items()
        }
        return Weather(
            areas=[area.area for area in self.areas],
            hours=hours,
            limits=self.limits,
            today=self._today,
            zone=self._zone,
        )

    @cached_property
    def _by_county(self) -> dict[str, AreaWeather]:
        # The first area that names a county has it.
        return {
            county: area for area in reversed(self.areas) for county in area.area.county_names()
        }

    @cached_property
    def _default(self) -> AreaWeather | None:
        return next((area for area in self.areas if area.area.is_default), None)


def weather_at(now: datetime) -> Weather:
    """Return what is known of the weather around a moment, in three queries at most."""
    zone = timezone.get_default_timezone()
    areas = list(WeatherArea.objects.order_by("id"))
    if not areas:
        return Weather(areas=(), hours={}, limits=STARTER_LIMITS, today=now.date(), zone=zone)
    today = timezone.localdate(now)
    since = datetime.combine(today - timedelta(days=LOOK_BACK_DAYS), time(), tzinfo=zone)
    until = datetime.combine(today + timedelta(days=AHEAD_DAYS + 1), time(), tzinfo=zone)
    rows = _hours().filter(starts_at__gte=since, starts_at__lt=until)
    return Weather(areas=areas, hours=_by_area(rows), limits=firm_limits(), today=today, zone=zone)


def firm_limits() -> dict[WeatherGate, WeatherLimits]:
    """Return the limits of each gate: the firm's own where it has entered them."""
    return dict(STARTER_LIMITS) | {
        WeatherGate(row.gate): _limits_of(row) for row in WeatherLimit.objects.all()
    }


def _limits_of(row: WeatherLimit) -> WeatherLimits:
    starter = STARTER_LIMITS[WeatherGate(row.gate)]
    own = {
        field.name: getattr(row, field.name)
        for field in fields(WeatherLimits)
        if field.name not in ("lightning", "has_mud")
    }
    # Lightning stops work whatever the firm enters, and mud is a matter of the ground.
    return WeatherLimits(**own, lightning=starter.lightning, has_mud=starter.has_mud)


def _hours() -> Any:
    """Return all hours as they are read: there are hundreds, so they are no rows of a model."""
    return WeatherHour.objects.values_list(*_HourRow._fields)


def _by_area(rows: Iterable[tuple[Any, ...]]) -> dict[int, dict[datetime, HourOfWeather]]:
    """Return the hours by area and moment, each value from the first source that tells it."""
    rank = {source.value: index for index, source in enumerate(SOURCES)}
    found: dict[int, dict[datetime, HourOfWeather]] = {}
    told = sorted(map(_HourRow._make, rows), key=lambda row: rank[row.source], reverse=True)
    for row in told:
        hours = found.setdefault(row.area_id, {})
        at = row.starts_at.astimezone(UTC)
        hours[at] = _over(hours.get(at), row)
    return found


def _over(below: HourOfWeather | None, row: _HourRow) -> HourOfWeather:
    """Return an hour with the values of a row, and those of the sources below where it has none."""
    known = below or HourOfWeather()

    def value(name: str) -> float | None:
        told: float | None = getattr(row, name)
        return getattr(known, name) if told is None else told

    return HourOfWeather(
        temp_degf=value("temp_degf"),
        wind_mph=value("wind_mph"),
        gust_mph=value("gust_mph"),
        rain_in=value("rain_in"),
        humidity_percent=value("humidity_percent"),
        thunder=row.thunder,
    )
