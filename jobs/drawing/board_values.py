"""What the board is drawn from: bars, gaps, rows, promises and the weather of a day."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date, datetime

    from jobs.drawing.board_shapes import Family


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """
    A phase on a row. `name` tells all of it in words; `key` is the phase, 0 for time set aside.

    `job` groups bars of one stay at a site under one label. `moved` says that people were told
    otherwise, `waits` that a hold is open, `moves_from` is the crew that has it, 0 where it stays.
    `begun_at` is when work began that pauses for other work until `starts_at`.
    """

    key: int
    job: str
    label: str
    short: str
    name: str
    family: Family
    starts_at: datetime
    ends_at: datetime
    share_done: float = 0.0
    is_done: bool = False
    is_under_way: bool = False
    is_pinned: bool = False
    is_late: bool = False
    moved: bool = False
    waits: bool = False
    moves_from: int = 0
    begun_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Gap:
    """
    What a row tells beside its bars; `kind` is "wait", "off" or "lent".

    `short` says a wait in a word, for a narrow gap. A day off is drawn over the bars, as work
    pauses on it; people lent or borrowed stand below them, as the crew works on.
    """

    starts_at: datetime
    ends_at: datetime
    words: str
    kind: str = "wait"
    short: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """A row of the board: `key` names it, as in "crew-3"; `about` is said under its title."""

    key: str
    title: str
    about: str = ""
    bars: tuple[Bar, ...] = ()
    gaps: tuple[Gap, ...] = ()


@dataclass(frozen=True, slots=True)
class Stake:
    """A promise on its day: kept, or late by the plan."""

    day: date
    job: str
    is_late: bool
    words: str


@dataclass(frozen=True, slots=True)
class DayWeather:
    """A day's weather in a few words, and each kind of work that it stops in one."""

    day: date
    air: str
    stops: tuple[str, ...]
    words: str


@dataclass(frozen=True, slots=True)
class DrawnLine:
    """A row as SVG, its height in pixels, and a digest that changes when anything in it does."""

    line: Line
    svg: str
    height: int
    digest: str
