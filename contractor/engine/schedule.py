"""A schedule: what is placed where and what binds it, what is not planned, which pins broke."""

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple


class Bind(StrEnum):
    """What can hold a start back."""

    NOW = "now"
    RELEASE = "release"
    LINK = "link"
    CREW = "crew"
    MACHINE = "machine"
    CALENDAR = "calendar"
    WINDOW = "window"
    PIN = "pin"
    FROZEN = "frozen"
    FLOW = "flow"
    """Begun later on purpose, so that the job runs through once it has begun."""


class Because(NamedTuple):
    """A lower bound on a start. A plan has several for every activity, so they are bare tuples.

    `activity` is the leader, or whoever holds the `resource`; None when nobody does. For FLOW it
    is the follower that the activity was moved toward. The bound lets nothing start before `slot`.
    """

    kind: Bind
    activity: int | None
    resource: int | None
    slot: int
    why: str


@dataclass(frozen=True, slots=True)
class Placed:
    """An activity from `start` to `finish` (exclusive), the bound that binds, and all bounds."""

    activity: int
    mode: int
    start: int
    finish: int
    because: Because
    bounds: tuple[Because, ...]


@dataclass(frozen=True, slots=True)
class Unplanned:
    """An activity that has no place, and the reason."""

    activity: int
    reason: str


@dataclass(frozen=True, slots=True)
class BrokenPin:
    """A pin that could not be kept, why, and the nearest later start (None: no start at all)."""

    activity: int
    reason: str
    nearest_start: int | None


@dataclass(frozen=True, slots=True)
class Schedule:
    """`placed` has one entry per activity, None for those listed in `unplanned`."""

    placed: tuple[Placed | None, ...]
    unplanned: tuple[Unplanned, ...]
    broken_pins: tuple[BrokenPin, ...]
