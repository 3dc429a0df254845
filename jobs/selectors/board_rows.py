"""A plan's bookings as the board reads them, and as bars."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

from jobs.drawing.board_shapes import family_of, short_of
from jobs.drawing.board_values import Bar
from jobs.models import Booking, Phase, Plan
from jobs.models.job import label_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from jobs.selectors.board_extras import Window

# A start that moves by less is no other day to anybody; the same as in a plan's cost.
SAME_START = timedelta(hours=4)


class BoardRow(NamedTuple):
    """A booking as it is read: only what a bar needs."""

    pk: int
    phase: int
    crew: int | None
    crew_name: str | None
    starts_at: datetime
    ends_at: datetime
    is_pinned: bool
    because: str
    because_kind: str
    code: str
    part: int
    parts: int
    status: str
    share_done: float
    started_at: datetime | None
    job: int
    number: str
    town: str


_COLUMNS = (
    "pk",
    "phase",
    "crew",
    "crew__name",
    "starts_at",
    "ends_at",
    "is_pinned",
    "because",
    "because_kind",
    "phase__code",
    "phase__part",
    "phase__parts",
    "phase__status",
    "phase__share_done",
    "phase__started_at",
    "phase__job",
    "phase__job__number",
    "phase__job__site_town",
)


class Told(NamedTuple):
    """What people know of a phase, where the board shows a draft."""

    crew: int | None
    crew_name: str | None
    starts_at: datetime


def rows_of(plan: Plan | None, window: Window) -> list[BoardRow]:
    """Return a plan's bookings that touch these days, in order of time."""
    if plan is None:
        return []
    inside = Booking.objects.filter(
        plan=plan, starts_at__lt=window.ends, ends_at__gt=window.begins
    ).order_by("starts_at", "id")
    return [BoardRow._make(values) for values in inside.values_list(*_COLUMNS)]


def told_of(plan: Plan | None, rows: Sequence[BoardRow]) -> Mapping[int, Told]:
    """Return what people know of each phase, if the plan is a draft."""
    if plan is None or plan.status != Plan.Status.DRAFT:
        return {}
    live = Booking.objects.filter(is_live=True, phase__in=[row.phase for row in rows])
    columns = ("phase", "crew", "crew__name", "starts_at")
    return {phase: Told(*told) for phase, *told in live.values_list(*columns)}


@dataclass(frozen=True, slots=True)
class Bars:
    """Makes bars of rows: `told` by phase, `held` by job and phase, `late` are jobs."""

    window: Window
    by_job: bool
    told: Mapping[int, Told]
    held: Mapping[tuple[int, str], Sequence[str]]
    late: Collection[int]

    def of_crew(self, rows: Sequence[BoardRow], now: datetime) -> Iterator[Bar]:
        """
        Yield the bars of a crew's rows, which are in order of time.

        Work under way reaches back to its beginning, unless the crew does other work first.
        """
        first = min((row.starts_at for row in rows if row.ends_at > now), default=None)
        for row in rows:
            yield self.of(row, pauses=first is not None and row.starts_at > max(first, now))

    def of(self, row: BoardRow, *, on_machine: bool = False, pauses: bool = False) -> Bar:
        """Return a row's bar; its name tells in words all that its shape does."""
        code, status = row.code, row.status
        told = self.told.get(row.phase)
        moved = told is not None and (
            told.crew != row.crew or abs(told.starts_at - row.starts_at) >= SAME_START
        )
        waits = self.held.get((row.job, code), ()) if status == Phase.Status.OPEN else ()
        begun_at = row.started_at if pauses and row.started_at else None
        starts_at = min(row.starts_at, row.started_at or row.starts_at)
        if begun_at is not None:
            starts_at = row.starts_at
        words = [
            f"{row.number} {row.town}",
            label_of(code, row.part, row.parts),
            f"{self.window.when(starts_at)} to {self.window.when(row.ends_at)}",
        ]
        if row.crew_name and (on_machine or self.by_job):
            words.append(row.crew_name)
        if begun_at is not None:
            words.append(f"begun {self.window.when(begun_at)}, after other work it goes on")
        words += self._states(row, told if moved else None)
        words += [text.rstrip(".") for text in waits]
        return Bar(
            key=row.phase,
            job=row.number,
            label="" if self.by_job else f"{row.number} {row.town}",
            short=short_of(code) + (f" {row.part}/{row.parts}" if row.parts > 1 else ""),
            name=", ".join(words),
            family=family_of(code),
            starts_at=starts_at,
            ends_at=row.ends_at,
            share_done=row.share_done,
            is_done=status == Phase.Status.DONE,
            is_under_way=status == Phase.Status.UNDER_WAY,
            is_pinned=row.is_pinned,
            is_late=row.job in self.late,
            moved=moved,
            waits=bool(waits),
            begun_at=begun_at,
            moves_from=(row.crew or 0) if status == Phase.Status.OPEN and not on_machine else 0,
        )

    def _states(self, row: BoardRow, told: Told | None) -> Iterator[str]:
        if row.status == Phase.Status.DONE:
            yield "done"
        if row.status == Phase.Status.UNDER_WAY:
            yield f"under way, {row.share_done:.0%} done"
        if row.is_pinned:
            yield "pinned"
        if row.job in self.late:
            yield "its job is late"
        if told is not None:
            who = f" with {told.crew_name}" if told.crew != row.crew and told.crew_name else ""
            yield f"moved, people know {self.window.when(told.starts_at)}{who}"
