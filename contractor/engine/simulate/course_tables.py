"""What a course looks up: working time by stretches, weather by days, windows, and waits."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from contractor.engine.arrays import firsts, floats, ints
from contractor.engine.compiled import Floats, Ints
from contractor.engine.layout import NONE
from contractor.engine.problem import Activity, Mode, Problem, Window
from contractor.engine.simulate.chances import ActivityChances, Chances, WeatherChances
from contractor.engine.worktime import SLOTS_PER_DAY

__all__ = ["NEAR_BITS", "Stretches", "Variants", "Weather", "Windows", "days_of"]

NEAR_BITS = 5
"""Days are looked up by stretches of 2 to this many slots, which few days begin inside."""
BEYOND = 2**31 - 1
"""A slot behind every axis."""
NEVER = 40.0
"""A standard normal number that is never reached."""

_Row = Sequence[int] | NDArray[np.int64] | NDArray[np.int32]


@dataclass(frozen=True, slots=True, eq=False)
class Weather:
    """What weather takes of days, and which day a slot lies in."""

    gates: int
    areas: int
    day_near: Ints
    day_first: Ints
    lost_above: Floats
    mud_above: Floats
    mud_days: Ints
    likeness: Floats

    @staticmethod
    def of(problem: Problem, chances: Chances) -> "Weather":
        """Return the weather of some chances; without any, one of plain days."""
        weather = chances.weather or WeatherChances(
            day_first=np.arange(
                0, problem.axis.slots + 2 * SLOTS_PER_DAY, SLOTS_PER_DAY, dtype=np.int32
            )
        )
        day_first = np.ascontiguousarray(weather.day_first, dtype=np.int32)
        days = len(day_first) - 1
        near = np.arange(0, problem.axis.slots + 1, 1 << NEAR_BITS)
        none = np.zeros(days)
        return Weather(
            gates=len(weather.gates),
            areas=weather.areas,
            day_near=days_of(day_first, near),
            day_first=day_first,
            lost_above=_joined([_above(gate.lost_chance) for gate in weather.gates]),
            mud_above=_joined(
                [
                    _above(none if gate.mud_chance is None else gate.mud_chance)
                    for gate in weather.gates
                ]
            ),
            mud_days=ints([gate.mud_days for gate in weather.gates]),
            likeness=floats([weather.persistence, weather.shared]),
        )

    def row_of(self, chances: ActivityChances) -> int:
        """Return where the days begin that weather takes behind an activity's gate, or NONE."""
        days = len(self.day_first) - 1
        return NONE if chances.gate is None else (chances.area * self.gates + chances.gate) * days


@dataclass(frozen=True, slots=True, eq=False)
class Stretches:
    """The working time of the calendars that are used."""

    row: Ints
    first: Ints
    begin: Ints
    end: Ints
    day: Ints

    @staticmethod
    def of(problem: Problem, modes: Sequence[Mode | None], day_first: Ints) -> "Stretches":
        """Return the stretches of the calendars of some modes, cut where days begin."""
        used = sorted({mode.calendar for mode in modes if mode is not None})
        place = {calendar: index for index, calendar in enumerate(used)}
        days, slots = len(day_first) - 1, problem.axis.slots
        begins_day = np.zeros(slots + 1, dtype=np.bool_)
        begins_day[day_first[(day_first >= 0) & (day_first <= slots)]] = True
        # What lies before the first day counts for it.
        day_begins = np.concatenate(([0], day_first[1:-1]))
        first: list[_Row] = []
        begin: list[_Row] = []
        end: list[_Row] = []
        day: list[_Row] = []
        count = 0
        for calendar in used:
            working = problem.calendars[calendar].working
            is_begin, is_end = working.copy(), working.copy()
            is_begin[1:] &= ~working[:-1] | begins_day[1:slots]
            is_end[:-1] &= ~working[1:] | begins_day[1:slots]
            begins, ends = np.flatnonzero(is_begin), np.flatnonzero(is_end) + 1
            first.append(count + np.searchsorted(ends, day_begins, side="right"))
            begin += [begins, [slots]]
            end += [ends, [BEYOND]]
            day += [days_of(day_first, begins), [NONE]]
            count += begins.size + 1
        return Stretches(
            row=ints([0 if m is None else place[m.calendar] * days for m in modes]),
            first=_rows(first),
            begin=_rows(begin),
            end=_rows(end),
            day=_rows(day),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Windows:
    """The windows of all activities, those that share one set of them once."""

    of_activity: Ints
    first: Ints
    opens: Ints
    latest: Ints

    @staticmethod
    def of(activities: Sequence[Activity]) -> "Windows":
        """Return the windows of activities."""
        index: dict[int, int] = {}
        kept: list[list[Window]] = []
        for activity in activities:
            if activity.windows and id(activity.windows) not in index:
                index[id(activity.windows)] = len(kept)
                kept.append(sorted(activity.windows, key=_opens))
        return Windows(
            of_activity=ints([index.get(id(activity.windows), NONE) for activity in activities]),
            first=firsts([len(row) for row in kept]),
            opens=ints([w.opens for row in kept for w in row]),
            latest=ints(
                [latest for row in kept for latest in accumulate((w.closes for w in row), max)]
            ),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Variants:
    """The tables of waits, and what they are in colder and warmer months."""

    count: int
    first: Ints
    table: Ints

    @staticmethod
    def of(problem: Problem, chances: Chances) -> "Variants":
        """Return the tables of all waits and of what varies."""
        first = np.full(max(len(problem.waits), 1), NONE, dtype=np.int32)
        tables: list[Ints] = []
        for wait, row in sorted(chances.wait_variants.items()):
            first[wait] = len(tables)
            tables += [np.asarray(table, dtype=np.int32) for table in row]
        count = len(next(iter(chances.wait_variants.values()), ()))
        own = [np.asarray(wait.table, dtype=np.int32) for wait in problem.waits]
        # The waits' own tables come first, their variants behind them.
        first = np.where(first == NONE, NONE, first + len(own)).astype(np.int32)
        joined = np.concatenate([*own, *tables]) if own else ints([])
        return Variants(count, first, joined)


def days_of(day_first: Ints, slots: NDArray[np.int64]) -> Ints:
    """Return the local day of each slot; what lies before the first or behind the last is its."""
    days = np.searchsorted(day_first, slots, side="right") - 1
    return np.clip(days, 0, len(day_first) - 2).astype(np.int32)


def _rows(rows: Sequence[_Row]) -> Ints:
    return np.concatenate([ints([]), *rows]).astype(np.int32)


def _above(chance: Floats) -> Floats:
    """Return the standard normal numbers that are exceeded with these chances."""
    known = {p: _exceeded(p) for p in set(chance.tolist())}
    return floats([known[p] for p in chance.tolist()])


def _exceeded(chance: float) -> float:
    if chance <= 0:
        return NEVER
    return -NEVER if chance >= 1 else -NormalDist().inv_cdf(chance)


def _joined(rows: Sequence[Floats]) -> Floats:
    return np.concatenate(rows) if rows else floats([])


def _opens(window: Window) -> int:
    return window.opens
