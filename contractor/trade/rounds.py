"""Small visits to many sites: how far they lie apart, and which of them make one day's round."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise, permutations
from math import asin, cos, radians, sin, sqrt

# Mean radius of the earth (R1 of GRS 80, IUGG), in miles.
EARTH_RADIUS_MILES = 6371.0088 / 1.609344
# Roads are about a quarter longer than the straight line; common practice, no source.
ROAD_FACTOR = 1.25
COUNTRY_ROAD_MPH = 40.0  # common practice, no source
# Where nobody entered where sites lie: minutes within a town and within a county; no source.
SAME_TOWN_MINUTES = 10.0
SAME_COUNTY_MINUTES = 25.0
# The part of all crews' hours in a week that goes to callbacks at most; common practice, no source.
SHARE_OF_WEEK = 0.1
# Up to so many stops the best order is found by trying all.
MOST_STOPS = 7
MINUTES_PER_HOUR = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a site lies: `drive_minutes` one way from the yard; degrees are None if not known."""

    town: str
    county: str
    drive_minutes: float
    latitude_deg: float | None = None
    longitude_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A visit: `labor_hours` of all people at the site, and the day by which it is promised."""

    key: int
    place: Place
    labor_hours: float
    promised_on: date


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewDay:
    """
    A day on which the crew could go round, and how many of it are there: lent people count.

    It is free if nothing is booked on it.
    """

    day: date
    hours: float
    people: int
    is_free: bool


@dataclass(frozen=True, slots=True)
class Round:
    """
    Stops of one day in the order in which they are driven to, from the yard and back.

    `day` is None where no day has room; `hours` are those of its day's `people`, without a day
    those of the crew's usual ones; `drive_hours_saved` against a trip of its own to each.
    """

    stops: tuple[Stop, ...]
    hours: float
    people: int
    drive_hours_saved: float
    day: date | None

    @property
    def due_on(self) -> date:
        """Return the day by which the first of its promises falls due."""
        return min(stop.promised_on for stop in self.stops)

    @property
    def is_late(self) -> bool:
        """Return whether a promise is missed."""
        return self.day is None or self.day > self.due_on


def great_circle_miles(
    latitude_deg: float, longitude_deg: float, to_latitude_deg: float, to_longitude_deg: float
) -> float:
    """Return the distance over a sphere, by the haversine formula, in miles."""
    north, east = radians(latitude_deg), radians(longitude_deg)
    to_north, to_east = radians(to_latitude_deg), radians(to_longitude_deg)
    half = sin((to_north - north) / 2) ** 2
    half += cos(north) * cos(to_north) * sin((to_east - east) / 2) ** 2
    return 2 * EARTH_RADIUS_MILES * asin(sqrt(min(1.0, half)))


def minutes_between(one: Place, other: Place) -> float:
    """Return about how long the drive between two sites takes, never more than by the yard."""
    by_the_yard = one.drive_minutes + other.drive_minutes
    if (
        one.latitude_deg is not None
        and one.longitude_deg is not None
        and other.latitude_deg is not None
        and other.longitude_deg is not None
    ):
        miles = ROAD_FACTOR * great_circle_miles(
            one.latitude_deg, one.longitude_deg, other.latitude_deg, other.longitude_deg
        )
        return min(miles / COUNTRY_ROAD_MPH * MINUTES_PER_HOUR, by_the_yard)
    if one.county.casefold() != other.county.casefold():
        return by_the_yard
    is_town = one.town.casefold() == other.town.casefold()
    return min(SAME_TOWN_MINUTES if is_town else SAME_COUNTY_MINUTES, by_the_yard)


def drive_minutes(stops: Sequence[Stop]) -> float:
    """Return the minutes of driving from the yard to each stop in this order and back."""
    if not stops:
        return 0.0
    between = sum(minutes_between(one.place, other.place) for one, other in pairwise(stops))
    return stops[0].place.drive_minutes + between + stops[-1].place.drive_minutes


def best_order(stops: Sequence[Stop]) -> tuple[Stop, ...]:
    """Return the order with the least driving, for at most `MOST_STOPS` stops; ties by key."""
    if len(stops) > MOST_STOPS:
        raise ValueError(f"stops {len(stops)}: too many for one round. Give {MOST_STOPS} or fewer.")
    ordered = sorted(stops, key=lambda stop: stop.key)
    return min(permutations(ordered), key=drive_minutes, default=())


def rounds(
    *,
    stops: Iterable[Stop],
    days: Sequence[CrewDay],
    people: int,
    week_hours: float,
    used: Mapping[date, float] | None = None,
) -> tuple[list[Round], list[Stop]]:
    """
    Return rounds by the day they fall due, and the stops that take more than any day has.

    Each begins with the promise that falls due first and takes in what saves driving and fits in
    the longest day of the crew's usual `people`. It gets a free day before it falls due, else the
    first day, of those that it fits in with the people of that day; no ISO week gets more than
    `week_hours` of them, except that one round of a week may always be made. `used` has the hours
    by day that are given to such rounds already, by any crew.
    """
    longest = max((day.hours for day in days), default=0.0)
    left = sorted(stops, key=lambda stop: (stop.promised_on, stop.key))
    too_long = [stop for stop in left if not any(_fits((stop,), day) for day in days)]
    left = [stop for stop in left if stop not in too_long]
    found: list[Round] = []
    weeks: dict[tuple[int, int], float] = {}
    for day, hours in (used or {}).items():
        weeks[_week(day)] = weeks.get(_week(day), 0.0) + hours
    while left:
        together = _together(left, longest, people)
        left = [stop for stop in left if stop not in together]
        gone = {one.day for one in found}
        open_days = [day for day in days if day.day not in gone]
        found.append(_on_a_day(together, open_days, people, weeks, week_hours))
    return found, too_long


def _together(left: Sequence[Stop], longest: float, people: int) -> tuple[Stop, ...]:
    """Return the first stop with those that cost the least driving to take along."""
    chosen: tuple[Stop, ...] = (left[0],)
    while len(chosen) < MOST_STOPS:
        best: tuple[float, tuple[Stop, ...]] | None = None
        for stop in left:
            if stop in chosen:
                continue
            tried = _taken_along(chosen, stop)
            more = drive_minutes(tried) - drive_minutes(chosen)
            saves = more < 2 * stop.place.drive_minutes
            fits = round_hours(tried, people) <= longest
            if saves and fits and (best is None or more < best[0]):
                best = more, tried
        if best is None:
            break
        chosen = best_order(best[1])
    return chosen


def _taken_along(stops: tuple[Stop, ...], stop: Stop) -> tuple[Stop, ...]:
    """Return the stops with one more where it costs the least driving, the others as they are."""
    places = range(len(stops) + 1)
    return min(((*stops[:n], stop, *stops[n:]) for n in places), key=drive_minutes)


def _on_a_day(
    stops: tuple[Stop, ...],
    days: Sequence[CrewDay],
    people: int,
    weeks: dict[tuple[int, int], float],
    week_hours: float,
) -> Round:
    """Give a round its day, and count its hours to the week of that."""
    alone = sum(2 * stop.place.drive_minutes for stop in stops)
    saved = (alone - drive_minutes(stops)) / MINUTES_PER_HOUR
    due_on = min(stop.promised_on for stop in stops)

    def has_room(day: CrewDay) -> bool:
        given = weeks.get(_week(day.day))
        return given is None or given + round_hours(stops, day.people) <= week_hours

    fits = [day for day in days if _fits(stops, day) and has_room(day)]
    in_time = [day for day in fits if day.day <= due_on]
    free = [day for day in in_time if day.is_free]
    chosen = next(iter(free or in_time or fits), None)
    if chosen is None:
        return Round(stops, round_hours(stops, people), people, saved, None)
    hours = round_hours(stops, chosen.people)
    weeks[_week(chosen.day)] = weeks.get(_week(chosen.day), 0.0) + hours
    return Round(stops, hours, chosen.people, saved, chosen.day)


def _week(day: date) -> tuple[int, int]:
    year, week, _ = day.isocalendar()
    return year, week


def _fits(stops: Sequence[Stop], day: CrewDay) -> bool:
    return round_hours(stops, day.people) <= day.hours


def round_hours(stops: Sequence[Stop], people: int) -> float:
    """Return how long so many people are away: at work side by side, then driving together."""
    labor_hours = sum(stop.labor_hours for stop in stops)
    return labor_hours / people + drive_minutes(stops) / MINUTES_PER_HOUR
