"""A phase split before it begins: a share of it first, the rest on another day; and joined again.

Each part is a row of its own with its share of the whole, so bookings, reports and calendars know
it by itself. A part that is no longer needed is left out, never deleted: plans still name it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from types import MappingProxyType
from typing import TYPE_CHECKING, ClassVar

from django.utils import timezone

from contractor.trade.phase_table import MOST_PARTS, PHASE_TABLE, why_whole
from crews.models import farthest_day
from jobs.models import BoardMove, Booking, Job, Phase
from jobs.selectors.board_version import Scope, plan_at_hand
from jobs.services.changes import record_change
from jobs.services.intake import part_of
from jobs.services.move_answer import MoveRefused
from jobs.services.move_kinds import (
    DAYS_AROUND,
    MovePhase,
    first_moment,
    phase_of,
    scope_of,
    standing,
)
from jobs.services.move_touch import crew_of, label

if TYPE_CHECKING:
    from collections.abc import Mapping

    from jobs.services.move_touch import Touch

# Our own: less is not worth a visit, and more parts than these are hard to follow.
LEAST_SHARE, MOST_SHARE = 0.1, 0.9
LEAST_HOURS = 1.0

# Common practice, no source.
STANDS_MEANWHILE: Mapping[str, str] = MappingProxyType(
    dict.fromkeys(
        ("FRAME", "ROOF"),
        "What stands meanwhile stays braced until the rest is on, as the engineer's drawings and "
        "the maker's instructions say.",
    )
)


@dataclass(frozen=True, slots=True)
class SplitAhead:
    """
    A share of an open phase is done where it is planned, and the rest on another day.

    The rest is pinned there, at its first moment that works where no moment is given, with the
    crew (None: the one that the plan at hand has for it).
    """

    record_kind: ClassVar = BoardMove.Kind.SPLIT
    phase_id: int
    share_first: float
    crew_id: int | None = None
    day: date | None = None
    starts_at: datetime | None = None

    def words(self) -> str:
        """Return the move as a person would tell it."""
        phase = phase_of(self.phase_id)
        what = f"{PHASE_TABLE[phase.code].label} of {phase.job.number}"
        who = f" with {crew_of(self.crew_id).name}" if self.crew_id else ""
        when = f"{self._rest_on:%a %b %-d}"
        if self.starts_at is not None:
            when += f"{timezone.localtime(self.starts_at):, %H:%M}"
        return f"{what} split: {self.share_first:.0%} first, the rest on {when}{who}"

    def scope(self) -> Scope:
        """Return what it is about: its job, and the crews that do it."""
        phase = phase_of(self.phase_id)
        crews = {self.crew_id, self._crew_at_hand()}
        return scope_of(crews, self._rest_on, self._rest_on + DAYS_AROUND, job=phase.job_id)

    def write(self, touch: Touch) -> tuple[str, ...]:
        """Make two parts of the phase, and pin the second."""
        phase = phase_of(self.phase_id, lock=True)
        _refuse_whole(phase)
        self._refuse_share(phase)
        if self._rest_on > farthest_day():
            raise MoveRefused("that day is more than five years ahead", remedy="Check the year.")
        rows = list(Phase.objects.filter(job=phase.job_id, code=phase.code).order_by("part"))
        left_out = [row for row in rows if row.status == Phase.Status.DROPPED]
        live = [row for row in rows if row not in left_out and row.pk != phase.pk]
        rest = next((row for row in left_out if row.part == phase.part + 1), None)
        rest = rest or _left_out_part(phase, touch)
        rest.job = phase.job
        crew_id = self.crew_id or self._crew_at_hand()
        crew = crew_of(crew_id) if crew_id else None
        columns = _columns(phase, 1 - self.share_first)
        touch.change(phase, **_columns(phase, self.share_first), parts=rest.part)
        for row in live:
            touch.change(row, parts=rest.part)
        starts_at = self.starts_at or first_moment(phase, crew, self._rest_on, touch.now)
        touch.change(
            rest,
            **columns,
            parts=rest.part,
            sequence=phase.sequence,
            pinned_crew_id=crew_id,
            pinned_start_at=starts_at,
        )
        caution = STANDS_MEANWHILE.get(phase.code)
        return (caution,) if caution else ()

    def rest(self) -> MovePhase:
        """Return the move of the rest to its day, once the parts are written."""
        phase = phase_of(self.phase_id)
        rest = Phase.objects.get(job=phase.job_id, code=phase.code, part=phase.part + 1)
        return MovePhase(rest.pk, rest.pinned_crew_id, day=self._rest_on, starts_at=self.starts_at)

    @property
    def _rest_on(self) -> date:
        if self.starts_at is not None:
            return timezone.localdate(self.starts_at)
        if self.day is None:
            raise MoveRefused("no day is given", remedy="Enter the day on which the rest goes on.")
        return self.day

    def _crew_at_hand(self) -> int | None:
        row = Booking.objects.filter(plan=plan_at_hand(), phase=self.phase_id).first()
        return row.crew_id if row else None

    def _refuse_share(self, phase: Phase) -> None:
        if not LEAST_SHARE <= self.share_first <= MOST_SHARE:
            raise MoveRefused(
                f"a share of {self.share_first:.0%} to do first is not between "
                f"{LEAST_SHARE:.0%} and {MOST_SHARE:.0%}",
                remedy="Enter a share between these.",
            )
        least = min(self.share_first, 1 - self.share_first) * phase.planned_hours
        if least < LEAST_HOURS:
            raise MoveRefused(
                f"{label(phase)} is {phase.planned_hours:.1f} hours of labor, so a part of it "
                f"would be {least:.1f} hours",
                remedy=f"Split it so that no part is under {LEAST_HOURS:g} hour, or move it whole.",
            )


@dataclass(frozen=True, slots=True)
class JoinParts:
    """The parts of a phase, none of them begun, are one phase again where the first part is."""

    record_kind: ClassVar = BoardMove.Kind.JOIN
    phase_id: int

    def words(self) -> str:
        """Return the move as a person would tell it."""
        phase = phase_of(self.phase_id)
        return f"{PHASE_TABLE[phase.code].label} of {phase.job.number} in one piece again"

    def scope(self) -> Scope:
        """Return what it is about: its job."""
        return Scope(jobs=frozenset({phase_of(self.phase_id).job_id}))

    def write(self, touch: Touch) -> tuple[str, ...]:
        """Give all to the first part, and leave the others out."""
        phase = phase_of(self.phase_id, lock=True)
        rows = Phase.objects.filter(job=phase.job_id, code=phase.code)
        rows = rows.exclude(status=Phase.Status.DROPPED).select_related("job")
        parts = list(rows.select_for_update(of=("self",)).order_by("part"))
        if len(parts) < 2:
            raise MoveRefused(f"{label(phase)} is in one piece", remedy="Nothing is to join.")
        begun = next((row for row in parts if row.status != Phase.Status.OPEN), None)
        if begun is not None:
            raise MoveRefused(
                f"{label(begun)} is {standing(begun)}",
                remedy="Let the parts be done as they are; their dates can still be moved.",
            )
        first, *others = parts
        office = any(row.office_hours is not None for row in parts)
        touch.change(
            first,
            share_of_whole=1.0,
            labor_hours=round(sum(row.labor_hours for row in parts), 2),
            labor_arithmetic=part_of(first.labor_arithmetic, 1.0),
            office_hours=round(sum(row.planned_hours for row in parts), 2) if office else None,
            status=Phase.Status.OPEN,
            parts=1,
        )
        for row in others:
            touch.change(
                row, status=Phase.Status.DROPPED, pinned_crew_id=None, pinned_start_at=None
            )
        return ()


def why_in_one_piece(phase: Phase) -> str:
    """Return why an open phase cannot be split ahead; nothing where it can."""
    whole = why_whole(phase.code)
    if whole:
        return whole
    if phase.part != phase.parts:
        return "only its last part can be split again"
    if phase.parts >= MOST_PARTS:
        return f"it has {MOST_PARTS} parts already"
    return ""


def _refuse_whole(phase: Phase) -> None:
    if phase.status != Phase.Status.OPEN or phase.job.status != Job.Status.SIGNED:
        raise MoveRefused(
            f"{label(phase)} is {standing(phase)}",
            remedy="Work under way can be split: it stops now and goes on later.",
        )
    why = why_in_one_piece(phase)
    if why:
        raise MoveRefused(
            f"{label(phase)} cannot be split ahead: {why}", remedy="Move it as it is."
        )


def _left_out_part(phase: Phase, touch: Touch) -> Phase:
    """Store the next part of a phase, still left out, so that undo leaves it out again."""
    part = Phase(
        job=phase.job,
        code=phase.code,
        part=phase.part + 1,
        sequence=phase.sequence,
        status=Phase.Status.DROPPED,
    )
    part.save()
    record_change(row=part, before=None, now=touch.now, by=touch.by)
    return part


def _columns(phase: Phase, share: float) -> dict[str, object]:
    """Return what a part has of a phase, all that undo must find as it was written."""
    whole = phase.share_of_whole * share
    return {
        "share_of_whole": whole,
        "labor_hours": round(phase.labor_hours * share, 2),
        "labor_arithmetic": part_of(phase.labor_arithmetic, whole),
        "office_hours": None if phase.office_hours is None else phase.office_hours * share,
        "status": Phase.Status.OPEN,
    }
