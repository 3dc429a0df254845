"""Moves of one phase on the board: how each is told, what it is about, and what it writes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, ClassVar, Protocol

from django.utils import timezone

from contractor.trade.errors import SpecError
from crews.models import Crew, farthest_day
from jobs.models import BoardMove, Booking, Job, Phase
from jobs.selectors.board_version import Scope
from jobs.services.move_answer import MoveRefused
from jobs.services.move_touch import crew_of, label

if TYPE_CHECKING:
    from collections.abc import Iterable

    from jobs.services.move_touch import Touch

Kind = BoardMove.Kind
# How far around the day of a move the other work of its crews is looked at, when somebody else
# has changed it meanwhile; our own.
DAYS_AROUND = timedelta(days=7)


class Move(Protocol):
    """One change by hand: each kind below is one, and each of `move_spans`."""

    @property
    def record_kind(self) -> BoardMove.Kind:
        """Return which kind of record it leaves."""

    def words(self) -> str:
        """Return the move as a person would tell it."""

    def scope(self) -> Scope:
        """Return what it is about."""

    def write(self, touch: Touch) -> tuple[str, ...]:
        """Write what it changes, and return what to say of it. Raises MoveRefused."""


@dataclass(frozen=True, slots=True)
class MovePhase:
    """
    A phase goes to a crew (None: who has it, or can) and a day or a moment, and is pinned there.

    With a day alone it begins at the first moment of that day that works.
    """

    record_kind: ClassVar = Kind.MOVE
    phase_id: int
    crew_id: int | None
    day: date | None = None
    starts_at: datetime | None = None

    def words(self) -> str:
        """Return the move as a person would tell it."""
        who = f" with {crew_of(self.crew_id).name}" if self.crew_id else ""
        when = f"{self.on_day:%a %b %-d}"
        if self.starts_at is not None:
            when += f"{timezone.localtime(self.starts_at):, %H:%M}"
        return f"{_capital(label(phase_of(self.phase_id)))} to {when}{who}"

    @property
    def on_day(self) -> date:
        """Return the day that it goes to."""
        if self.starts_at is not None:
            return timezone.localdate(self.starts_at)
        if self.day is None:
            raise MoveRefused("no day is given", remedy="Enter the day, or the day and the hour.")
        return self.day

    def scope(self) -> Scope:
        """Return what it is about: its job, and the crews that it comes from and goes to."""
        phase = phase_of(self.phase_id)
        booked = Booking.objects.filter(phase=phase, plan__status__in=("DRAFT", "PUBLISHED"))
        crews = {self.crew_id, *booked.values_list("crew", flat=True)}
        return scope_of(crews, self.on_day, self.on_day + DAYS_AROUND, job=phase.job_id)

    def write(self, touch: Touch) -> tuple[str, ...]:
        """Pin the phase where it is to begin."""
        phase = phase_of(self.phase_id, lock=True)
        if phase.status != Phase.Status.OPEN or phase.job.status != Job.Status.SIGNED:
            raise MoveRefused(
                f"{label(phase)} is {standing(phase)}",
                remedy="Work under way can be split: it stops now and goes on later.",
            )
        if self.on_day > farthest_day():
            raise MoveRefused("that day is more than five years ahead", remedy="Check the year.")
        crew = crew_of(self.crew_id) if self.crew_id else None
        starts_at = self.starts_at or first_moment(phase, crew, self.on_day, touch.now)
        touch.change(phase, pinned_start_at=starts_at, pinned_crew_id=self.crew_id)
        return ()


@dataclass(frozen=True, slots=True)
class FreePhase:
    """
    A pinned phase moves freely again from the next plan on.

    The draft leaves it where it is, or puts it back where people were told inside the freeze.
    """

    record_kind: ClassVar = Kind.FREE
    phase_id: int

    def words(self) -> str:
        """Return the move as a person would tell it."""
        return f"Pin off {label(phase_of(self.phase_id))}"

    def scope(self) -> Scope:
        """Return what it is about: its job."""
        return Scope(jobs=frozenset({phase_of(self.phase_id).job_id}))

    def write(self, touch: Touch) -> tuple[str, ...]:
        """Take the pin off."""
        phase = phase_of(self.phase_id, lock=True)
        if phase.pinned_start_at is None and phase.pinned_crew_id is None:
            raise MoveRefused(f"{label(phase)} has no pin", remedy="It moves freely already.")
        touch.change(phase, pinned_start_at=None, pinned_crew_id=None)
        return ()


@dataclass(frozen=True, slots=True)
class SplitPhase:
    """A phase under way stops now, and the rest goes on at another moment, on its crew."""

    record_kind: ClassVar = Kind.SPLIT
    phase_id: int
    goes_on_at: datetime

    def words(self) -> str:
        """Return the move as a person would tell it."""
        goes_on = timezone.localtime(self.goes_on_at)
        return f"Stop {label(phase_of(self.phase_id))} now, on again {goes_on:%a %b %-d, %H:%M}"

    def scope(self) -> Scope:
        """Return what it is about: its job, and what its crew does until it goes on."""
        phase = phase_of(self.phase_id)
        day = timezone.localdate(self.goes_on_at)
        return scope_of({phase.crew_id}, day, day + DAYS_AROUND, job=phase.job_id)

    def write(self, touch: Touch) -> tuple[str, ...]:
        """Report the stop."""
        phase = phase_of(self.phase_id, lock=True)
        if phase.status != Phase.Status.UNDER_WAY:
            raise MoveRefused(
                f"{label(phase)} is {standing(phase)}, and only work under way can be split "
                "by a stop now",
                remedy="Before it begins, say what share to do first and when the rest goes on.",
            )
        if self.goes_on_at <= touch.now:
            raise MoveRefused(
                f"{timezone.localtime(self.goes_on_at):%b %-d, %H:%M} lies in the past",
                nearest_start_at=quarter_after(touch.now),
            )
        try:
            touch.stop(phase, self.goes_on_at)
        except SpecError as error:
            raise MoveRefused(str(error).rstrip(".")) from error
        return ("The share done so far counts as last reported: report it before the crew leaves.",)


def phase_of(phase_id: int, *, lock: bool = False) -> Phase:
    """Return a phase with its job; MoveRefused where there is none."""
    rows = Phase.objects.select_related("job")
    if lock:
        rows = rows.select_for_update(of=("self",))
    phase = rows.filter(pk=phase_id).first()
    if phase is None:
        raise MoveRefused(f"there is no phase {phase_id}", remedy="Look at the board again.")
    return phase


def first_moment(phase: Phase, crew: Crew | None, day: date, now: datetime) -> datetime:
    """
    Return when work could begin on a day: at the crew's hours there, or at midnight.

    Today not before the next quarter hour; a day that is over gives its own, and is refused later.
    """
    midnight = datetime.combine(day, time(), tzinfo=timezone.get_default_timezone())
    moment = midnight
    shifts = crew.work_hours.week().get(day.weekday()) if crew else None
    if shifts:
        begins = datetime.combine(day, shifts[0][0], tzinfo=timezone.get_default_timezone())
        moment = begins + timedelta(minutes=-(-phase.job.drive_minutes // 15) * 15)
    if day == timezone.localdate(now):
        moment = max(moment, quarter_after(now))
    return moment


def quarter_after(moment: datetime) -> datetime:
    """Return the first quarter hour at or after a moment."""
    rest = timedelta(
        minutes=moment.minute % 15, seconds=moment.second, microseconds=moment.microsecond
    )
    return moment if not rest else moment - rest + timedelta(minutes=15)


def scope_of(
    crews: Iterable[int | None], first: date, last: date, *, job: int | None = None
) -> Scope:
    """Return what is looked at of crews in these days, when others have changed it meanwhile."""
    mine = frozenset(pk for pk in crews if pk is not None)
    names = Crew.objects.filter(pk__in=mine).values_list("name", flat=True)
    return Scope(
        jobs=frozenset({job} if job else ()),
        crews=mine,
        first_day=first,
        last_day=last,
        names=frozenset(names),
    )


def standing(phase: Phase) -> str:
    """Return how far a phase, or else its job, is."""
    if phase.job.status != Job.Status.SIGNED:
        return f"of a job that is {phase.job.get_status_display().lower()}"
    return phase.get_status_display().lower()


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
