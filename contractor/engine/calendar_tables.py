"""The tables of all calendars of a problem, and of the base calendars of its resources."""

from collections.abc import Iterable, Sequence
from itertools import chain
from typing import Any

import numpy as np

from contractor.engine.arrays import firsts, ints
from contractor.engine.problem import Problem
from contractor.engine.worktime import WorkCalendar

__all__ = ["calendar_tables"]


def calendar_tables(problem: Problem) -> dict[str, Any]:
    """Return the tables of all calendars and base calendars, and where work must not pause."""
    rows = list(problem.calendars)
    base = [_row_of(rows, needed) for needed in _base_calendars(problem)]
    slots = problem.axis.slots
    before = np.empty(len(rows) * (slots + 1), dtype=np.int32)
    for index, calendar in enumerate(rows):
        before[index * (slots + 1) : (index + 1) * (slots + 1)] = calendar.before
    pauses = [_long_pauses(calendar, problem.longest_pause_slots) for calendar in rows]
    return {
        "before": before,
        "slot_first": np.cumsum([0, *(calendar.total for calendar in rows)], dtype=np.int64),
        "slot_of": (
            np.concatenate([np.asarray(calendar.slot_of) for calendar in rows])
            if rows
            else ints([])
        ),
        "total": ints([calendar.total for calendar in rows]),
        "pause_first": firsts([len(row) for row in pauses]),
        "pause": ints(list(chain.from_iterable(pauses))),
        "cut_off": ints(
            [
                _cut_off(calendar, row, problem.longest_pause_slots)
                for calendar, row in zip(rows, pauses, strict=True)
            ]
        ),
        "base": ints(base),
    }


def _base_calendars(problem: Problem) -> list[WorkCalendar]:
    """Return, by resource, what any work on it could use, and where it is blocked."""
    used: list[set[int]] = [set() for _ in problem.resources]
    ways = {
        (mode.crew, mode.machines, mode.calendar)
        for activity in problem.activities
        for mode in activity.modes
    }
    for crew, machines, calendar in ways:
        for resource in machines if crew is None else (crew, *machines):
            used[resource].add(calendar)
    by_content: dict[tuple[object, ...], WorkCalendar] = {}
    found = []
    for whole, calendars in zip(problem.resources, used, strict=True):
        key = (frozenset(calendars), whole.blocked)
        if key not in by_content:
            by_content[key] = _base_calendar(problem, calendars, whole.blocked)
        found.append(by_content[key])
    return found


def _base_calendar(
    problem: Problem, calendars: Iterable[int], blocked: Sequence[tuple[int, int]]
) -> WorkCalendar:
    indexes = sorted(calendars)
    if len(indexes) == 1 and not blocked:
        return problem.calendars[indexes[0]]
    working = np.zeros(problem.axis.slots, dtype=np.bool_)
    for index in indexes:
        working |= problem.calendars[index].working
    for begins, ends in blocked:
        working[begins:ends] = True
    return WorkCalendar("base", working)


def _row_of(rows: list[WorkCalendar], calendar: WorkCalendar) -> int:
    for index, row in enumerate(rows):
        if row is calendar:
            return index
    rows.append(calendar)
    return len(rows) - 1


def _long_pauses(calendar: WorkCalendar, longest: int | None) -> list[int]:
    """Return the index of the working slot that follows each pause longer than `longest`."""
    if longest is None:
        return []
    idle = np.diff(calendar.slot_of) - 1
    return (np.flatnonzero(idle > longest) + 1).tolist()


def _cut_off(calendar: WorkCalendar, pauses: Sequence[int], longest: int | None) -> int:
    """Return the first working slot of a stretch that may go on where the axis ends.

    It is past all of them where none does.
    """
    if longest is None or not pauses:
        return calendar.total
    idle_at_end = calendar.slots - 1 - calendar.slot_of[-1]
    return pauses[-1] if idle_at_end <= longest else calendar.total
