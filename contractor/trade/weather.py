"""
What weather stops which work, hour by hour and by the day.

The figures are starter values (common practice, no source, unless one is named) for planning
only. The machine's plate, the maker's manual, the truss bracing documents and the judgment of the
competent person on site come first, and whoever is on site may stop the work at any time.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum
from types import MappingProxyType

from contractor.trade.feels_like import heat_index_degf, wind_chill_degf
from contractor.trade.labeled import Labeled
from contractor.trade.units import number_text

# A day is lost when work stops for this share of its scheduled hours or more: the rule of
# ER 415-1-15 of the US Army Corps of Engineers (from memory) for a delay day.
LOST_DAY_SHARE = 0.5
# Work waits 30 minutes after the last thunder (NOAA and OSHA advice, from memory). Hours are
# whole here, so half of the hour after thunder is lost too.
LIGHTNING_CLEAR_HOURS = 0.5
# From here on a paid break of 15 minutes every two hours: OSHA's proposed rule of August 2024.
HIGH_HEAT_DEGF = 90.0
HIGH_HEAT = "; 15 minutes of break every 2 hours"
HEAT_INDEX = "heat index"
# Rain of so many hours counts together, then the work has dried; common practice, no source.
DRIES_HOURS = 6
# The hours of a day that count as scheduled, in site time; common practice, no source.
SCHEDULED_HOURS = range(7, 17)


class WeatherGate(Labeled):
    """The kind of weather that a phase cannot stand; the last two are no phase's own."""

    NONE = ""
    GROUND = "GROUND"
    CONCRETE = "CONCRETE"
    TRUSS = "TRUSS"
    ROOF = "ROOF"
    WALL = "WALL"
    LIFT = "LIFT"
    OUTDOORS = "OUTDOORS"


class Level(IntEnum):
    """What a gate says of an hour or a day."""

    GO = 0
    CAUTION = 1
    STOP = 2

    @property
    def word(self) -> str:
        """Return the level as people read it."""
        return self.name.lower()


@dataclass(frozen=True, slots=True)
class WeatherLimits:
    """
    Limits of one gate; None is no limit.

    Wind is the mean over an hour in mph, gusts apart; rain is what fell within the last six hours
    in inches; cold is the air in °F, below the limit; heat is the heat index and chill the wind
    chill in °F. With `lightning` an hour with thunder stops the work. `has_mud` says that all rain
    since midnight counts, and leaves mud behind for the days of the soil.
    """

    caution_wind_mph: float | None = None
    stop_wind_mph: float | None = None
    stop_gust_mph: float | None = None
    stop_rain_in: float | None = None
    caution_degf: float | None = None
    stop_degf: float | None = None
    caution_heat_degf: float | None = None
    stop_heat_degf: float | None = None
    caution_chill_degf: float | None = None
    lightning: bool = True
    has_mud: bool = False


STARTER_LIMITS: Mapping[WeatherGate, WeatherLimits] = MappingProxyType(
    {
        WeatherGate.NONE: WeatherLimits(lightning=False),
        # Frost: a crust from about 25 °F on, and a day that stays below 15 °F stops the auger.
        WeatherGate.GROUND: WeatherLimits(
            stop_rain_in=0.5, caution_degf=25.0, stop_degf=15.0, has_mud=True
        ),
        # ACI 306R (from memory): below 40 °F concrete needs protection. How cold stops a pour for
        # all its blankets is common practice, no source.
        WeatherGate.CONCRETE: WeatherLimits(stop_rain_in=0.25, caution_degf=40.0, stop_degf=20.0),
        WeatherGate.TRUSS: WeatherLimits(
            caution_wind_mph=15.0, stop_wind_mph=20.0, stop_gust_mph=25.0, stop_rain_in=0.25
        ),
        WeatherGate.ROOF: WeatherLimits(
            caution_wind_mph=12.0,
            stop_wind_mph=20.0,
            stop_gust_mph=25.0,
            stop_rain_in=0.1,
            caution_degf=36.0,
        ),
        WeatherGate.WALL: WeatherLimits(
            caution_wind_mph=20.0, stop_wind_mph=25.0, stop_gust_mph=30.0, stop_rain_in=0.25
        ),
        # 12.5 m/s, the design wind of lifts for use outdoors (ANSI A92.20, from memory): the
        # maker's plate governs.
        WeatherGate.LIFT: WeatherLimits(
            caution_wind_mph=20.0, stop_wind_mph=28.0, stop_gust_mph=28.0
        ),
        # Heat index 80 and 90 °F: the two steps of the rule that OSHA proposed in August 2024.
        WeatherGate.OUTDOORS: WeatherLimits(
            caution_wind_mph=25.0,
            stop_wind_mph=35.0,
            stop_gust_mph=45.0,
            caution_heat_degf=80.0,
            caution_chill_degf=0.0,
        ),
    }
)
# The gates that phases have, in the order of the build.
PHASE_GATES = (
    WeatherGate.GROUND,
    WeatherGate.CONCRETE,
    WeatherGate.TRUSS,
    WeatherGate.ROOF,
    WeatherGate.WALL,
)
CAUTIONS: Mapping[WeatherGate, str] = MappingProxyType(
    {
        WeatherGate.GROUND: "Call before digging; private lines are not marked. Cover or guard "
        "open holes: rain and frost loosen their walls.",
        WeatherGate.CONCRETE: "Never place on frozen ground. Protect fresh concrete from frost "
        "and rain; wet concrete burns skin and eyes.",
        WeatherGate.TRUSS: "Half-braced trusses go over in gusts below the stop limit: brace each "
        "as it is set, fall protection on, and nobody under the load.",
        WeatherGate.ROOF: "Wet, frosty or snow-covered steel is not walked on. Fall protection on; "
        "no sheets in wind.",
        WeatherGate.WALL: "Sheets catch wind and cut; two people to a long sheet.",
        WeatherGate.LIFT: "The plate on the machine governs, not this page. Keep clear of power "
        "lines.",
        WeatherGate.OUTDOORS: "Thunder within 30 seconds of the flash, or any thunder: take "
        "shelter, and wait 30 minutes after the last. In heat: water, rest, shade, and short days "
        "for people who are new to it. In cold: dry clothes and breaks in the warm.",
    }
)
DEFER = "Local code, the engineer's drawings and the competent person on site decide."


@dataclass(frozen=True, slots=True)
class HourOfWeather:
    """One hour at a site: °F, mph, inches, percent; None is not known."""

    temp_degf: float | None = None
    wind_mph: float | None = None
    gust_mph: float | None = None
    rain_in: float | None = None
    humidity_percent: float | None = None
    thunder: bool = False


@dataclass(frozen=True, slots=True)
class DayVerdict:
    """
    What one gate says of one day, and why.

    `stopped_hours` are those of the scheduled hours in which it stops work. STOP means that the
    day is lost; a day with fewer stopped hours is a CAUTION that names them.
    """

    level: Level
    reasons: tuple[str, ...] = ()
    stopped_hours: float = 0.0

    @property
    def why(self) -> str:
        """Return the reasons in one line."""
        return "; ".join(self.reasons)


def judge_day(
    hours: Sequence[HourOfWeather | None],
    limits: WeatherLimits,
    *,
    mud: str = "",
    scheduled: range = SCHEDULED_HOURS,
) -> DayVerdict | None:
    """
    Return what the weather of a day means for the work behind a gate; None where it is not known.

    `hours` are those from midnight on, one for each hour of the clock (23 to 25 on days when
    clocks change), None where nothing is known. A day is known if half of its scheduled hours
    are. `mud` says why the ground is still too soft from rain before; it takes the whole day.
    """
    window = [hours[hour] for hour in scheduled if hour < len(hours)]
    known = [hour for hour in window if hour is not None]
    if mud and limits.has_mud:
        return DayVerdict(Level.STOP, (mud,), float(len(window)))
    if not window or len(known) < len(window) * LOST_DAY_SHARE:
        return None
    stopped = [0.0] * len(hours)
    for index in range(len(hours)):
        hour = hours[index]
        if hour is None:
            continue
        if _stops(hour, limits, _rain_at(hours, index, limits)):
            stopped[index] = 1.0
        if hour.thunder and limits.lightning and index + 1 < len(hours):
            stopped[index + 1] = max(stopped[index + 1], LIGHTNING_CLEAR_HOURS)
    lost = sum(stopped[hour] for hour in scheduled if hour < len(hours))
    stops, cautions = _words(hours, limits, scheduled)
    if lost > 0 and lost >= LOST_DAY_SHARE * len(window):
        return DayVerdict(Level.STOP, stops, lost)
    if lost > 0:
        told = (f"{lost:g} of {len(window)} hours stopped: {'; '.join(stops)}",)
        return DayVerdict(Level.CAUTION, (*told, *cautions), lost)
    return DayVerdict(Level.CAUTION if cautions else Level.GO, cautions)


def mud_after(rain_by_day: Sequence[float], limits: WeatherLimits, *, mud_days: int) -> str:
    """
    Return why the ground is too soft today; empty when it carries.

    `rain_by_day` are the inches of the days before, yesterday first. Rain of the stop limit in one
    day keeps the auger off for `mud_days` more, by the soil (common practice, no source).
    """
    if not limits.has_mud or limits.stop_rain_in is None:
        return ""
    for ago, rain in enumerate(rain_by_day[:mud_days], start=1):
        if rain >= limits.stop_rain_in:
            when = "yesterday" if ago == 1 else f"{ago} days before"
            return f"mud after {number_text(rain)} in of rain {when}"
    return ""


def _rain_at(
    hours: Sequence[HourOfWeather | None], index: int, limits: WeatherLimits
) -> float | None:
    """Return the rain that counts at an hour, in inches; None where no rain is told at all."""
    first = 0 if limits.has_mud else max(0, index + 1 - DRIES_HOURS)
    told = [
        hour.rain_in
        for hour in hours[first : index + 1]
        if hour is not None and hour.rain_in is not None
    ]
    return sum(told) if told else None


def _stops(hour: HourOfWeather, limits: WeatherLimits, rain_in: float | None) -> bool:
    return (
        _at_least(hour.wind_mph, limits.stop_wind_mph)
        or _at_least(hour.gust_mph, limits.stop_gust_mph)
        or _at_least(rain_in, limits.stop_rain_in)
        or _below(hour.temp_degf, limits.stop_degf)
        or _at_least(heat_of(hour), limits.stop_heat_degf)
        or (hour.thunder and limits.lightning)
    )


def _words(
    hours: Sequence[HourOfWeather | None], limits: WeatherLimits, scheduled: range
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return why a day stops work and what it cautions of, each by its worst scheduled hour."""
    indexes = [index for index in scheduled if index < len(hours)]
    known = [hour for index in indexes if (hour := hours[index]) is not None]
    before = hours[max(0, scheduled.start - 1) : scheduled.start]
    measures = (
        (
            *("wind", "mph", _most(hour.wind_mph for hour in known)),
            *(limits.stop_wind_mph, limits.caution_wind_mph),
        ),
        ("gusts", "mph", _most(hour.gust_mph for hour in known), limits.stop_gust_mph, None),
        (
            "rain",
            "in",
            _most(_rain_at(hours, i, limits) for i in indexes),
            limits.stop_rain_in,
            None,
        ),
        (
            *(HEAT_INDEX, "°F", _most(map(heat_of, known))),
            *(limits.stop_heat_degf, limits.caution_heat_degf),
        ),
    )
    stops, cautions = [], []
    for name, unit, worst, stop, caution in measures:
        if worst is not None and _at_least(worst, stop):
            stops.append(f"{name} {_figure(worst, unit)}, limit {stop:g}")
        elif worst is not None and _at_least(worst, caution):
            more = HIGH_HEAT if name == HEAT_INDEX and worst >= HIGH_HEAT_DEGF else ""
            cautions.append(f"{name} {_figure(worst, unit)}, caution from {caution:g}{more}")
    low = _least(hour.temp_degf for hour in known)
    if low is not None and _below(low, limits.stop_degf):
        stops.append(f"cold {_figure(low, '°F')}, limit {limits.stop_degf:g}")
    elif low is not None and _below(low, limits.caution_degf):
        cautions.append(f"cold {_figure(low, '°F')}, caution below {limits.caution_degf:g}")
    chill = _least(map(chill_of, known))
    if chill is not None and _below(chill, limits.caution_chill_degf):
        least = limits.caution_chill_degf
        cautions.append(f"wind chill {_figure(chill, '°F')}, caution below {least:g}")
    if limits.lightning and any(hour.thunder for hour in (*before, *known) if hour is not None):
        stops.append("thunder")
    return tuple(stops), tuple(cautions)


def heat_of(hour: HourOfWeather) -> float | None:
    """Return the heat index of an hour in °F; None where its humidity is not known."""
    if hour.temp_degf is None or hour.humidity_percent is None:
        return None
    return heat_index_degf(temp_degf=hour.temp_degf, humidity_percent=hour.humidity_percent)


def chill_of(hour: HourOfWeather) -> float | None:
    """Return the wind chill of an hour in °F; None where its wind is not known."""
    if hour.temp_degf is None or hour.wind_mph is None:
        return None
    return wind_chill_degf(temp_degf=hour.temp_degf, wind_mph=hour.wind_mph)


def _figure(value: float, unit: str) -> str:
    return f"{number_text(value, places=2 if unit == 'in' else 0)} {unit}"


def _at_least(value: float | None, limit: float | None) -> bool:
    return value is not None and limit is not None and value >= limit


def _below(value: float | None, limit: float | None) -> bool:
    return value is not None and limit is not None and value < limit


def _most(values: Iterable[float | None]) -> float | None:
    return max((value for value in values if value is not None), default=None)


def _least(values: Iterable[float | None]) -> float | None:
    return min((value for value in values if value is not None), default=None)
