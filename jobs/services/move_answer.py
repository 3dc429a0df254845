"""What a move of the board is answered with: what follows from it, or why it is refused."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING

from django.utils import timezone

if TYPE_CHECKING:
    from datetime import date, datetime

    from jobs.models import BoardMove, PlanRequest


@dataclass(frozen=True, slots=True)
class MovedPhase:
    """
    A phase whose start or crew is another after the move; None where it has no dates on a side.

    `was_told` says that people know the old start, `is_frozen` that it lies within the freeze.
    Crews are names, empty for work of others. `why` is what binds the new start.
    """

    phase_id: int
    job: str
    phase: str
    old_crew: str
    new_crew: str
    old_starts_at: datetime | None
    new_starts_at: datetime | None
    old_ends_at: datetime | None
    new_ends_at: datetime | None
    was_told: bool
    is_frozen: bool
    why: str

    @property
    def days(self) -> int | None:
        """Return by how many days the start moves, later positive; None without both dates."""
        if self.old_starts_at is None or self.new_starts_at is None:
            return None
        return (
            timezone.localdate(self.new_starts_at) - timezone.localdate(self.old_starts_at)
        ).days


@dataclass(frozen=True, slots=True)
class JobFinish:
    """A job whose last day is another after the move; None where it has none on a side."""

    job_id: int
    job: str
    promised_on: date | None
    old_finish_on: date | None
    new_finish_on: date | None

    @property
    def promise(self) -> str:
        """Return "lost" or "saved" where the promise changes sides, else nothing."""
        old, new = self._is_kept(self.old_finish_on), self._is_kept(self.new_finish_on)
        if self.promised_on is None or old == new:
            return ""
        return "saved" if new else "lost"

    def _is_kept(self, finish_on: date | None) -> bool:
        return finish_on is not None and (self.promised_on is None or finish_on <= self.promised_on)


@dataclass(frozen=True, slots=True)
class MoveAnswer:
    """
    What follows from a move against the plan at hand; nothing is saved yet.

    `version` is the state of the board that it was tried on and `digest` names what was shown:
    give both to `accept_move`. `starts_at` is where a moved phase lands. `notes` are to be read
    before accepting.
    """

    words: str
    phases: tuple[MovedPhase, ...]
    jobs: tuple[JobFinish, ...]
    notes: tuple[str, ...]
    starts_at: datetime | None
    version: str

    @property
    def promises_lost(self) -> tuple[JobFinish, ...]:
        """Return the jobs that keep their promise without the move only."""
        return tuple(job for job in self.jobs if job.promise == "lost")

    @property
    def promises_saved(self) -> tuple[JobFinish, ...]:
        """Return the jobs that keep their promise with the move only."""
        return tuple(job for job in self.jobs if job.promise == "saved")

    @property
    def digest(self) -> str:
        """Return a short name of what was shown: phases, crews and days."""
        # By name: a part that a try has made and taken back has another key when it is accepted.
        rows = [
            (
                row.job,
                row.phase,
                row.new_crew,
                row.new_starts_at and timezone.localdate(row.new_starts_at),
            )
            for row in self.phases
        ]
        return sha256(repr((self.words, sorted(rows))).encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class Accepted:
    """A move that is stored, with the draft it made and the wish for a better one to enqueue."""

    move: BoardMove
    answer: MoveAnswer
    request: PlanRequest


@dataclass
class MoveRefused(Exception):  # noqa: N818 - an answer with its reason
    """
    A move that breaks a rule: which, and the nearest start that works.

    `nearest_start_at` was tried and works, on the crew `nearest_crew_id` (None: as asked for); None
    where no start works. `remedy` says what else to do.
    """

    rule: str
    nearest_start_at: datetime | None = None
    nearest_crew_id: int | None = None
    nearest_crew: str = ""
    remedy: str = ""

    def __str__(self) -> str:
        # What a plan gives as its reason may be a sentence of its own.
        parts = [f"This move cannot be made: {self.rule.removesuffix('.')}."]
        if self.nearest_start_at is not None:
            nearest = timezone.localtime(self.nearest_start_at)
            who = f" with {self.nearest_crew}" if self.nearest_crew else ""
            parts.append(f"The nearest start that works is {nearest:%a %b %-d, %Y, %H:%M}{who}.")
        return " ".join([*parts, self.remedy] if self.remedy else parts)


@dataclass
class MoveStale(Exception):  # noqa: N818 - an answer with its reason
    """The board is another than the one the move was made on; `changed` says what changed."""

    changed: tuple[str, ...]
    version: str

    def __str__(self) -> str:
        return f"The board has changed meanwhile: {'; '.join(self.changed)}. Look at it again."
