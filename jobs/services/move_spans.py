"""Moves of days on the board: swaps, lends, time set aside and blocked days."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, ClassVar, Self

from django.utils import timezone

from crews.models import Crew, DayOff, Equipment, farthest_day
from jobs.models import Job, LentPeople, SetAside
from jobs.services.crew_teams import nobody_left_on
from jobs.services.move_answer import MoveRefused
from jobs.services.move_kinds import Kind, scope_of
from jobs.services.move_touch import crew_of

if TYPE_CHECKING:
    from jobs.selectors.board_version import Scope
    from jobs.services.move_touch import Touch


@dataclass(frozen=True, slots=True)
class SwapCrews:
    """
    What two crews are to begin within some days is exchanged between them, and pinned there.

    The pins are set by `moves`, which looks where the work lands on the other crew.
    """

    record_kind: ClassVar = Kind.SWAP
    first_crew_id: int
    second_crew_id: int
    first_day: date
    last_day: date

    def words(self) -> str:
        """Return the move as a person would tell it."""
        first, second = (crew_of(pk).name for pk in (self.first_crew_id, self.second_crew_id))
        return f"{first} and {second} swap their work, {_span(self.first_day, self.last_day)}"

    def scope(self) -> Scope:
        """Return what it is about: what both crews do in these days."""
        return scope_of({self.first_crew_id, self.second_crew_id}, self.first_day, self.last_day)

    def write(self, touch: Touch) -> tuple[str, ...]:
        """Refuse what makes no sense."""
        if self.first_crew_id == self.second_crew_id:
            raise MoveRefused("a crew cannot swap with itself", remedy="Choose two crews.")
        _refuse_wrong_days(self.first_day, self.last_day, touch.now)
        return ()

    def later(self, first_day: date) -> Self:
        """Return the same some days on."""
        return replace(self, first_day=first_day, last_day=_moved(self, first_day))


@dataclass(frozen=True, slots=True)
class LendPeople:
    """People of one crew work with another for some days, the first and the last included."""

    record_kind: ClassVar = Kind.LEND
    from_crew_id: int
    to_crew_id: int
    first_day: date
    last_day: date
    people: int = 1
    note: str = ""

    def words(self) -> str:
        """Return the move as a person would tell it."""
        source, target = crew_of(self.from_crew_id).name, crew_of(self.to_crew_id).name
        who = "1 person" if self.people == 1 else f"{self.people} people"
        return f"{who} of {source} with {target}, {_span(self.first_day, self.last_day)}"

    def scope(self) -> Scope:
        """Return what it is about: what both crews do in these days."""
        return scope_of({self.from_crew_id, self.to_crew_id}, self.first_day, self.last_day)

    def write(self, touch: Touch) -> tuple[str, ...]:
        """Store who is with whom."""
        _refuse_wrong_days(self.first_day, self.last_day, touch.now)
        source, target = crew_of(self.from_crew_id), crew_of(self.to_crew_id)
        if self.people < 1:
            raise MoveRefused(f"{self.people} people cannot be lent", remedy="Lend 1 or more.")
        touch.add(
            LentPeople(
                from_crew=source,
                to_crew=target,
                people=self.people,
                first_day=self.first_day,
                last_day=self.last_day,
                note=self.note,
            )
        )
        short = self._short_day(source)
        if short is not None:
            raise MoveRefused(
                f"{source.name} has {source.size} people, and nobody would be left on "
                f"{short:%a %b %-d}",
                remedy="Lend fewer, or block the crew's days.",
            )
        return ("Work that begins before these days or ends after them counts the fewer people.",)

    def _short_day(self, source: Crew) -> date | None:
        """Return the first of these days on which nobody would be left in the crew."""
        rows = LentPeople.objects.filter(
            from_crew=source, first_day__lte=self.last_day, last_day__gte=self.first_day
        )
        return nobody_left_on(source.size, rows)

    def later(self, first_day: date) -> Self:
        """Return the same some days on."""
        return replace(self, first_day=first_day, last_day=_moved(self, first_day))


@dataclass(frozen=True, slots=True)
class SetTimeAside:
    """A crew's time is kept for a shop day, a callback visit or other work: `SetAside.Kind`."""

    record_kind: ClassVar = Kind.ASIDE
    crew_id: int
    kind: str
    starts_at: datetime
    ends_at: datetime
    job_id: int | None = None
    note: str = ""

    def words(self) -> str:
        """Return the move as a person would tell it."""
        begins, ends = timezone.localtime(self.starts_at), timezone.localtime(self.ends_at)
        until = f"{ends:%H:%M}" if ends.date() == begins.date() else f"{ends:%a %b %-d, %H:%M}"
        what = dict(SetAside.Kind.choices).get(self.kind, self.kind)
        job = Job.objects.filter(pk=self.job_id).first() if self.job_id else None
        at = f" on {job.number}" if job else ""
        return f"{what}{at} for {crew_of(self.crew_id).name}, {begins:%a %b %-d, %H:%M} to {until}"

    @property
    def first_day(self) -> date:
        """Return the day on which it begins."""
        return timezone.localdate(self.starts_at)

    @property
    def last_day(self) -> date:
        """Return the day on which it ends."""
        return timezone.localdate(self.ends_at)

    def scope(self) -> Scope:
        """Return what it is about: what the crew does then."""
        return scope_of({self.crew_id}, self.first_day, self.last_day, job=self.job_id)

    def write(self, touch: Touch) -> tuple[str, ...]:
        """Store the time."""
        if self.ends_at <= self.starts_at:
            raise MoveRefused("it ends before it begins", remedy="Enter the hours again.")
        if self.starts_at < touch.now:
            raise MoveRefused(
                f"{timezone.localtime(self.starts_at):%b %-d, %H:%M} lies in the past"
            )
        crew = crew_of(self.crew_id)
        other = SetAside.objects.filter(
            crew=crew, starts_at__lt=self.ends_at, ends_at__gt=self.starts_at
        ).first()
        if other is not None:
            begins = timezone.localtime(other.starts_at)
            raise MoveRefused(
                f"{crew.name} has {other.get_kind_display().lower()} on {begins:%a %b %-d, %H:%M}"
            )
        touch.add(
            SetAside(
                crew=crew,
                kind=self.kind,
                starts_at=self.starts_at,
                ends_at=self.ends_at,
                job_id=self.job_id,
                note=self.note,
            )
        )
        return ()

    def later(self, first_day: date) -> Self:
        """Return the same some days on, at the same hours of the day."""
        days = first_day - self.first_day
        return replace(
            self, starts_at=_on_later(self.starts_at, days), ends_at=_on_later(self.ends_at, days)
        )


@dataclass(frozen=True, slots=True)
class BlockDays:
    """Days without work: of a crew, of a machine, or of everyone where neither is named."""

    record_kind: ClassVar = Kind.BLOCK
    first_day: date
    last_day: date
    reason: str
    crew_id: int | None = None
    equipment_id: int | None = None

    def words(self) -> str:
        """Return the move as a person would tell it."""
        who = "everyone"
        if self.crew_id:
            who = crew_of(self.crew_id).name
        elif self.equipment_id:
            who = str(Equipment.objects.filter(pk=self.equipment_id).first() or "no machine")
        return f"No work of {who}, {_span(self.first_day, self.last_day)}: {self.reason}"

    def scope(self) -> Scope:
        """Return what it is about: what the crew does in these days, or every crew."""
        crews = [self.crew_id] if self.crew_id else Crew.objects.values_list("pk", flat=True)
        return scope_of(set(crews), self.first_day, self.last_day)

    def write(self, touch: Touch) -> tuple[str, ...]:
        """Store the days off."""
        _refuse_wrong_days(self.first_day, self.last_day, touch.now)
        if not self.reason.strip():
            raise MoveRefused("no reason is given", remedy="Say why these days are without work.")
        touch.add(
            DayOff(
                first_day=self.first_day,
                last_day=self.last_day,
                reason=self.reason.strip(),
                crew_id=self.crew_id,
                equipment_id=self.equipment_id,
            )
        )
        return ()

    def later(self, first_day: date) -> Self:
        """Return the same some days on."""
        return replace(self, first_day=first_day, last_day=_moved(self, first_day))


Spanning = SwapCrews | LendPeople | SetTimeAside | BlockDays


def _refuse_wrong_days(first_day: date, last_day: date, now: datetime) -> None:
    if last_day < first_day:
        raise MoveRefused(
            f"the last day, {last_day:%b %-d}, is before the first, {first_day:%b %-d}",
            remedy="Enter the days again.",
        )
    if first_day < timezone.localdate(now):
        raise MoveRefused(f"{first_day:%a %b %-d} lies in the past")
    if last_day > farthest_day():
        raise MoveRefused("that is more than five years ahead", remedy="Check the year.")


def _moved(move: SwapCrews | LendPeople | BlockDays, first_day: date) -> date:
    return first_day + (move.last_day - move.first_day)


def _on_later(moment: datetime, days: timedelta) -> datetime:
    """Return the same hour of the day some days on, whatever daylight saving does."""
    local = timezone.localtime(moment)
    return datetime.combine(local.date() + days, local.time(), tzinfo=local.tzinfo)


def _span(first_day: date, last_day: date) -> str:
    if first_day == last_day:
        return f"{first_day:%a %b %-d}"
    return f"{first_day:%a %b %-d} to {last_day:%a %b %-d}"
