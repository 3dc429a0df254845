"""What can be moved on the board."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from datetime import date, datetime


@dataclass(frozen=True, slots=True)
class MovePhase:
    """
    A phase goes to a crew (None: whichever is best) and a day or a moment, and is pinned there.

    With a day alone it begins at the first moment of that day that works.
    """

    phase_id: int
    crew_id: int | None
    day: date | None = None
    starts_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class FreePhase:
    """A pinned phase moves freely again from the next plan on; the draft leaves it where it is."""

    phase_id: int


@dataclass(frozen=True, slots=True)
class SplitPhase:
    """A phase under way stops now, and the rest goes on at another moment, on its crew."""

    phase_id: int
    goes_on_at: datetime


@dataclass(frozen=True, slots=True)
class SwapCrews:
    """What two crews are to begin within some days is exchanged between them, and pinned there."""

    first_crew_id: int
    second_crew_id: int
    first_day: date
    last_day: date


@dataclass(frozen=True, slots=True)
class LendPeople:
    """People of one crew work with another for some days, the first and the last included."""

    from_crew_id: int
    to_crew_id: int
    first_day: date
    last_day: date
    people: int = 1
    note: str = ""


@dataclass(frozen=True, slots=True)
class SetTimeAside:
    """A crew's time is kept for a shop day, a callback visit or other work: `SetAside.Kind`."""

    crew_id: int
    kind: str
    starts_at: datetime
    ends_at: datetime
    job_id: int | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class BlockDays:
    """Days without work: of a crew, of a machine, or of everyone where neither is named."""

    first_day: date
    last_day: date
    reason: str
    crew_id: int | None = None
    equipment_id: int | None = None


Move: TypeAlias = (
    MovePhase | FreePhase | SplitPhase | SwapCrews | LendPeople | SetTimeAside | BlockDays
)
