"""What follows from a move: the plan at hand before it, and the plan with it, side by side."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from django.utils import timezone

from jobs.models import Booking, Change, Phase, Plan
from jobs.selectors.board_version import plan_at_hand
from jobs.selectors.booked import with_rows
from jobs.services.move_answer import JobFinish, MoveAnswer, MovedPhase
from jobs.services.plan_rows import PlanRows

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from jobs.models import Job
    from jobs.services.plan_around import Place
    from jobs.services.plan_making import Proposal
    from jobs.services.plan_rows import Span


@dataclass(frozen=True, slots=True)
class Hand:
    """
    The plan at hand, its bookings by phase, and the moment.

    `told` are the phases whose start people know, by that start. `has_news` says that something was
    changed since the plan was made.
    """

    plan: Plan | None
    rows: Mapping[int, Booking]
    told: Mapping[int, datetime]
    now: datetime
    has_news: bool

    @classmethod
    def at(cls, now: datetime) -> Hand:
        """Return what is at hand now: the newest draft, else what is published."""
        plan = plan_at_hand()
        rows = with_rows(Booking.objects.filter(plan=plan)) if plan else []
        live = Booking.objects.filter(plan__status=Plan.Status.PUBLISHED)
        told = live.filter(phase__status=Phase.Status.OPEN).values_list("phase", "starts_at")
        has_news = plan is not None and _has_news(plan)
        return cls(plan, {row.phase_id: row for row in rows}, dict(told), now, has_news)

    def again(self, now: datetime) -> Hand:
        """Return the same at another moment."""
        has_news = self.plan is not None and _has_news(self.plan)
        return replace(self, now=now, has_news=has_news)

    def places(self) -> dict[int, Place]:
        """Return where a draft has each phase; nothing where there is no draft to keep."""
        if self.plan is None or self.plan.status != Plan.Status.DRAFT:
            return {}
        return {key: (row.crew_id, row.starts_at) for key, row in self.rows.items()}

    def has(self, phase_id: int) -> bool:
        """Return whether a phase has dates."""
        return phase_id in self.rows

    def place_of(self, phase_id: int) -> Place | None:
        """Return where a phase is."""
        row = self.rows.get(phase_id)
        return None if row is None else (row.crew_id, row.starts_at)

    def crew_id_of(self, phase_id: int) -> int | None:
        """Return whose work a phase is."""
        row = self.rows.get(phase_id)
        return None if row is None else row.crew_id

    def keeps_pin(self, phase: Phase) -> bool:
        """Return whether a phase is where it is pinned."""
        row = self.rows.get(phase.pk)
        if row is None or phase.pinned_start_at is None:
            return False
        return row.starts_at == phase.pinned_start_at and (
            phase.pinned_crew_id in (None, row.crew_id)
        )

    def begun_within(self, first_day: date, last_day: date) -> list[Booking]:
        """Return what begins from one day to another, the soonest first."""
        rows = (
            row
            for row in self.rows.values()
            if first_day <= timezone.localdate(row.starts_at) <= last_day
        )
        return sorted(rows, key=lambda row: (row.starts_at, row.pk))


def follows(
    proposal: Proposal,
    hand: Hand,
    *,
    words: str,
    notes: tuple[str, ...],
    version: str,
) -> MoveAnswer:
    """Return what a plan with a move makes otherwise than the plan at hand."""
    plan_rows = PlanRows(proposal.portfolio, proposal.result.schedule)
    new = {span.phase.pk: span for span in plan_rows.spans()}
    changed = {
        key
        for key in hand.rows.keys() | new.keys()
        if not _is_same(hand.rows.get(key), new.get(key))
    }
    reasons = {row.phase_id: row.because for row, _ in plan_rows.bookings(Plan(), only=changed)}
    crews = {crew.pk: crew.name for crew in proposal.portfolio.work.crews}
    freeze_days = timedelta(days=proposal.portfolio.work.firm.freeze_days)
    frozen_until = timezone.localdate(hand.now) + freeze_days
    phases = tuple(
        sorted(
            _phases(hand, new, changed, crews, reasons, frozen_until),
            key=lambda row: (row.new_starts_at or row.old_starts_at or hand.now, row.phase_id),
        )
    )
    return MoveAnswer(
        words=words,
        phases=phases,
        jobs=tuple(_jobs(hand, new, proposal.portfolio.work.jobs, _unfinished(plan_rows))),
        notes=(*notes, *_notes(hand, phases)),
        starts_at=None,
        version=version,
    )


def _phases(
    hand: Hand,
    new: Mapping[int, Span],
    changed: Iterable[int],
    crews: Mapping[int, str],
    reasons: Mapping[int, str],
    frozen_until: date,
) -> Iterator[MovedPhase]:
    for key in changed:
        before, after = hand.rows.get(key), new.get(key)
        phase = after.phase if after else before.phase if before else None
        if phase is None or phase.status not in (Phase.Status.OPEN, Phase.Status.UNDER_WAY):
            continue
        told = hand.told.get(key)
        yield MovedPhase(
            phase_id=key,
            job=phase.job.number,
            phase=phase.get_code_display(),
            old_crew=before.crew.name if before and before.crew else "",
            new_crew=crews.get(after.crew_id or 0, "") if after else "",
            old_starts_at=before.starts_at if before else None,
            new_starts_at=after.starts_at if after else None,
            old_ends_at=before.ends_at if before else None,
            new_ends_at=after.ends_at if after else None,
            was_told=told is not None,
            is_frozen=told is not None and timezone.localdate(told) < frozen_until,
            why=reasons.get(key, ""),
        )


def _is_same(before: Booking | None, after: Span | None) -> bool:
    """Return whether people see the same; of work under way, which begins anew, by its end."""
    if before is None or after is None:
        return before is None and after is None
    goes_on = after.phase.status == Phase.Status.UNDER_WAY
    same_start = goes_on or before.starts_at == after.starts_at
    return same_start and (before.crew_id, before.ends_at) == (after.crew_id, after.ends_at)


def _jobs(
    hand: Hand, new: Mapping[int, Span], jobs: Iterable[Job], unfinished: frozenset[str]
) -> Iterator[JobFinish]:
    left_out = {entry["job"] for entry in hand.plan.unplanned} if hand.plan else set()
    old_ends, new_ends = _ends(hand.rows.values()), _ends(new.values())
    for job in jobs:
        old = None if job.number in left_out else old_ends.get(job.pk)
        finish = None if job.number in unfinished else new_ends.get(job.pk)
        if old != finish:
            yield JobFinish(job.pk, job.number, job.promised_on, old, finish)


def _ends(rows: Iterable[Booking | Span]) -> dict[int, date]:
    ends: dict[int, datetime] = {}
    for row in rows:
        job = row.phase.job_id
        ends[job] = max(ends.get(job, row.ends_at), row.ends_at)
    return {job: timezone.localdate(end) for job, end in ends.items()}


def _unfinished(rows: PlanRows) -> frozenset[str]:
    return frozenset(entry["job"] for entry in rows.unplanned())


def _notes(hand: Hand, phases: Iterable[MovedPhase]) -> Iterator[str]:
    told = [row for row in phases if row.was_told and row.days != 0]
    frozen = sum(row.is_frozen for row in told)
    if told:
        within = f", {frozen} of them within the freeze" if frozen else ""
        yield f"{_starts(len(told))} told to people would change{within}."
    if hand.has_news:
        yield f"Facts have come in since {hand.plan} was made; these move work too."


def _starts(count: int) -> str:
    return "1 start" if count == 1 else f"{count} starts"


def _has_news(plan: Plan) -> bool:
    """Return whether anything was changed since a plan was made, but by publishing it."""
    return Change.objects.filter(at__gt=plan.made_at).exclude(kind="booking").exists()
