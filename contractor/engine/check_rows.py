"""The places of a schedule as rows and columns, for the check, and what it finds."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from contractor.engine.problem import Activity, Mode, Problem
from contractor.engine.schedule import Placed

__all__ = ["NOBODY", "Flags", "Rows", "Slots", "Violation", "column", "column_or_nobody", "used"]

Slots = NDArray[np.int64]
Flags = NDArray[np.bool_]
NOBODY = -1
"""Stands in a column where no activity or resource is named, or where one has no row."""


@dataclass(frozen=True, slots=True)
class Violation:
    """A rule that does not hold. `activity` is None where no single activity is at fault."""

    rule: str
    activity: int | None
    text: str


class Rows:
    """The places that are well formed, one row each, with what is compared as columns."""

    def __init__(self, problem: Problem, sound: Sequence[Placed]) -> None:
        self.placed = sound
        self.activities = [problem.activities[placed.activity] for placed in sound]
        self.modes = [
            activity.modes[placed.mode]
            for activity, placed in zip(self.activities, sound, strict=True)
        ]
        self.activity = column([placed.activity for placed in sound])
        self.start = column([placed.start for placed in sound])
        self.finish = column([placed.finish for placed in sound])
        self.work = column([mode.work_slots for mode in self.modes])
        self.row_of = np.full(len(problem.activities), NOBODY, dtype=np.int64)
        """The row of an activity, NOBODY for those that are not well placed."""
        self.row_of[self.activity] = np.arange(len(sound))
        taken = [used(mode) for mode in self.modes]
        self.used_resource = column(list(chain.from_iterable(taken)))
        """Every use of a resource, one entry for each unit, with the row in `used_by`."""
        self.used_by = np.repeat(np.arange(len(sound)), column([len(row) for row in taken]))

    def named(self, rows: Flags) -> Iterator[tuple[Placed, Activity, Mode]]:
        """Yield those for which `rows` holds."""
        for row in np.flatnonzero(rows).tolist():
            yield self.placed[row], self.activities[row], self.modes[row]


def column(values: Sequence[int]) -> Slots:
    """Return whole numbers as a column."""
    return np.array(values, dtype=np.int64)


def column_or_nobody(values: Sequence[int | None]) -> Slots:
    """Return indexes as a column, NOBODY where there is none."""
    return column([NOBODY if value is None else value for value in values])


def used(mode: Mode) -> tuple[int, ...]:
    """Return the resources of a mode, a machine as often as it is needed."""
    return mode.machines if mode.crew is None else (*mode.machines, mode.crew)
