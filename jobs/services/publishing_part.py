"""
Publish the part of a draft that is ready: the chosen jobs move, all others stay as people know it.

The part is planned as a plan of its own, with the chosen jobs where the draft has them and all
others where they are published. It is ready if nothing is anywhere else then, and the independent
check finds no broken rule. Its clock is the draft's, so that both are of the same work.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from django.db import transaction
from django.utils import timezone

from contractor.engine.check import check
from contractor.engine.objective import objective
from contractor.engine.schedule import Because, Bind
from contractor.engine.worktime import SLOTS_PER_DAY
from jobs.models import Booking, Phase, Plan
from jobs.selectors import plans
from jobs.selectors.booked import with_rows
from jobs.services import plan_making, publishing
from jobs.services.plan_making import PlanUnsoundError, Proposal
from jobs.services.plan_rows import PlanRows
from jobs.services.portfolio import build_portfolio
from jobs.services.publishing import NotADraft, PublishRefused

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from django.contrib.auth.models import User

    from contractor.engine.schedule import Placed, Schedule
    from jobs.selectors.open_work import OpenWork
    from jobs.services.plan_rows import Span
    from jobs.services.portfolio import Portfolio

# What the draft says of why a booking is where it is.
REASON = ("because", "because_kind", "behind_kind", "because_phase")


class PartRefused(PublishRefused):
    """A part that cannot be published by itself; the text says why, `part` what it needs."""

    def __init__(self, part: Part) -> None:
        super().__init__("; ".join(misfit.words for misfit in part.reasons[:3]) + ".")
        self.part = part


@dataclass(frozen=True, slots=True)
class Misfit:
    """
    A phase that would not be where a part needs it, in words.

    `needs` are the jobs, by primary key, that have to move with the part; none where that is
    no remedy.
    """

    phase: Phase
    words: str
    needs: frozenset[int]


@dataclass(frozen=True, slots=True)
class Part:
    """Chosen jobs of a draft, by primary key, and the plan that moves only them if it is sound."""

    draft: Plan
    jobs: frozenset[int]
    misfits: tuple[Misfit, ...]
    proposal: Proposal | None

    @property
    def is_ready(self) -> bool:
        """Return whether it may be published by itself."""
        return self.proposal is not None

    @property
    def reasons(self) -> tuple[Misfit, ...]:
        """Return the first misfit of each job: what follows it in the job comes of that."""
        first: dict[int, Misfit] = {}
        for misfit in self.misfits:
            first.setdefault(misfit.phase.job_id, misfit)
        return tuple(first.values())

    @property
    def needs(self) -> frozenset[int]:
        """Return the jobs that have to move with it."""
        return frozenset().union(*(misfit.needs for misfit in self.misfits)) - self.jobs


def part_of(*, draft: Plan, jobs: Iterable[int]) -> Part:
    """
    Return whether the moves of these jobs may be published without those of the others.

    Nothing is stored. Raises TooFarAheadError and NoFirm as `plan_making.plan_now`.
    """
    chosen = frozenset(jobs)
    work = plan_making.gather(now=draft.as_of)
    published = plans.published_plan()
    wanted = _Wanted(draft=draft, published=published, chosen=chosen)
    work = replace(work, jobs=tuple(job for job in work.jobs if wanted.knows(job.pk)))
    portfolio, result = plan_making.kept_in_place(replace(work, told=wanted.told_of(work)))
    misfits = tuple(_misfits(wanted, portfolio, result.schedule))
    if misfits:
        return Part(draft, chosen, misfits, None)
    schedule = _with_reasons(portfolio, result.schedule, wanted)
    zone = timezone.get_default_timezone()
    days = portfolio.problem.axis.slots // SLOTS_PER_DAY
    # Cost and check are of the work as it is, where only what is published has been told.
    real = build_portfolio(work=work, zone=zone, horizon_days=days)
    violations = check(real.problem, schedule)
    if violations:
        raise PlanUnsoundError("; ".join(violation.text for violation in violations[:5]))
    cost = objective(real.problem, schedule)
    made = replace(result, schedule=schedule, objective=cost)
    return Part(draft, chosen, (), Proposal(real, made, draft.seed))


def publish_part(
    *, plan_id: int, jobs: Iterable[int], now: datetime, by: User | None = None
) -> publishing.Published:
    """
    Publish only these jobs' moves of a draft; what is left of it waits as the next draft.

    Raises
    ------
    PartRefused
        If something else would have to move too, or a chosen phase cannot be there by itself.
    jobs.services.publishing.PublishRefused
        As for any draft; nothing has changed then.
    """
    with transaction.atomic():
        draft = Plan.objects.select_for_update().filter(pk=plan_id).first()
        if draft is None or draft.status != Plan.Status.DRAFT:
            raise NotADraft(f"Plan {plan_id} is no draft any more. Look at the newest draft.")
        chosen = frozenset(jobs)
        if not chosen:
            raise PublishRefused("No job is chosen. Choose at least one, or publish all.")
        before = plans.published_plan()
        part = part_of(draft=draft, jobs=chosen)
        if part.proposal is None:
            raise PartRefused(part)
        made = _stored(part.proposal, draft, before, chosen)
        done = publishing.publish(plan_id=made.pk, now=now, by=by)
        _keep_the_rest(draft, made)
        return done


class _Wanted:
    """Where a part wants each phase: as in the draft if its job is chosen, else as published."""

    def __init__(self, *, draft: Plan, published: Plan | None, chosen: frozenset[int]) -> None:
        self.chosen = chosen
        self.drafted = _bookings(draft)
        self.published = _bookings(published) if published else {}
        mine = (row for row in self.drafted.values() if row.phase.job_id in chosen)
        others = (row for row in self.published.values() if row.phase.job_id not in chosen)
        self.place: dict[int, Booking] = {row.phase_id: row for row in (*mine, *others)}
        self._known = {row.phase.job_id for row in self.published.values()}

    def knows(self, job_id: int) -> bool:
        """Return whether a job is in the part: chosen, or published already."""
        return job_id in self.chosen or job_id in self._known

    def told_of(self, work: OpenWork) -> dict[int, Booking]:
        """Return what counts as told of the phases that nobody has begun."""
        return {pk: row for pk, row in self.place.items() if pk not in _begun(work)}

    def is_met(self, span: Span) -> bool:
        """Return whether a phase is where it is wanted."""
        row = self.place.get(span.phase.pk)
        if row is None or row.crew_id != span.crew_id:
            return False
        if span.phase.status == Phase.Status.UNDER_WAY:
            return timezone.localdate(row.ends_at) == timezone.localdate(span.ends_at)
        return (row.starts_at, row.ends_at) == (span.starts_at, span.ends_at)

    def in_the_way(self, row: Booking) -> list[Booking]:
        """Return published bookings of jobs that are not chosen, on its crew or machines then."""
        machines = {machine.pk for machine in row.equipment.all()}
        return [
            other
            for other in self.published.values()
            if other.phase.job_id not in self.chosen
            and other.starts_at < row.ends_at
            and row.starts_at < other.ends_at
            and (
                (row.crew_id is not None and other.crew_id == row.crew_id)
                or machines & {machine.pk for machine in other.equipment.all()}
            )
        ]


def _begun(work: OpenWork) -> frozenset[int]:
    return frozenset(
        phase.pk
        for job in work.jobs
        for phase in job.phases.all()
        if phase.status != Phase.Status.OPEN
    )


def _bookings(plan: Plan) -> dict[int, Booking]:
    rows = Booking.objects.filter(plan=plan).prefetch_related("equipment").order_by("id")
    return {row.phase_id: row for row in with_rows(rows)}


def _misfits(wanted: _Wanted, portfolio: Portfolio, schedule: Schedule) -> Iterable[Misfit]:
    """Yield what is not where the part wants it, in the order of time."""
    whys = {
        phase.pk: placed.because.why.rstrip(".")
        for placed in schedule.placed
        if placed is not None
        for phase in portfolio.stretches[placed.activity].phases
    }
    spans = sorted(PlanRows(portfolio, schedule).spans(), key=lambda span: span.starts_at)
    for span in spans:
        if not wanted.is_met(span):
            yield _misfit(wanted, span, whys[span.phase.pk])
    missing = {
        phase.pk: (phase, entry.reason)
        for entry in schedule.unplanned
        for phase in portfolio.stretches[entry.activity].phases
        if phase.pk in wanted.place
    }
    for phase, reason in missing.values():
        yield _unplanned(wanted, phase, reason)


def _misfit(wanted: _Wanted, span: Span, why: str) -> Misfit:
    phase, row = span.phase, wanted.place.get(span.phase.pk)
    what = f"{phase.get_code_display()} of job {phase.job.number}"
    if row is None:
        words = f"{what} has no dates in what is published"
        return Misfit(phase, words, frozenset({phase.job_id}) - wanted.chosen)
    if phase.job_id not in wanted.chosen:
        words = f"{what} cannot stay as published, {_when(row.starts_at, row.ends_at)}: "
        words += f"it comes {_when(span.starts_at, span.ends_at)} ({why})"
        return Misfit(phase, words, frozenset({phase.job_id}))
    blockers = wanted.in_the_way(row)
    if blockers:
        other = blockers[0].phase
        who = row.crew.name if row.crew else "a machine"
        if blockers[0].crew_id != row.crew_id:
            who = "its machine"
        words = f"{what} cannot be {_when(row.starts_at, row.ends_at)} by itself: {who} is on "
        words += f"{other.get_code_display().lower()} of job {other.job.number} then"
        return Misfit(phase, words, frozenset(booking.phase.job_id for booking in blockers))
    words = f"{what} cannot be {_when(row.starts_at, row.ends_at)}: {why}. Ask for a new plan"
    return Misfit(phase, words, frozenset())


def _unplanned(wanted: _Wanted, phase: Phase, reason: str) -> Misfit:
    words = f"{phase.get_code_display()} of job {phase.job.number} gets no dates: {reason}"
    return Misfit(phase, words, frozenset({phase.job_id}) - wanted.chosen)


def _with_reasons(portfolio: Portfolio, schedule: Schedule, wanted: _Wanted) -> Schedule:
    """
    Return a schedule in which what leaves its place within the freeze says why, as the draft did.

    To the part the draft's place is what was told; to people it is not.
    """

    def told(placed: Placed | None) -> Placed | None:
        if placed is None:
            return None
        first = portfolio.stretches[placed.activity].first
        row = wanted.drafted.get(first.pk) if first.job_id in wanted.chosen else None
        if row is None or row.because_kind != Bind.FROZEN.value:
            return placed
        because = Because(Bind.FROZEN, None, None, placed.start, row.because)
        return replace(placed, because=because)

    return replace(schedule, placed=tuple(map(told, schedule.placed)))


def _stored(proposal: Proposal, draft: Plan, before: Plan | None, chosen: frozenset[int]) -> Plan:
    """Store the part as the draft to publish, with the reasons that were given before."""
    made = plan_making.store(proposal)
    known = {entry["job"] for entry in made.unplanned}
    numbers = {job.number for job in proposal.portfolio.jobs}
    left_out = [
        entry
        for entry in (before.unplanned if before else [])
        if entry["job"] not in known | numbers
    ]
    made.unplanned = [*made.unplanned, *left_out]
    # It is as old as the draft that it is taken from, and as stale.
    made.made_at = draft.made_at
    made.save(update_fields=["unplanned", "made_at"])
    _copy_reasons(made, _bookings(draft), _bookings(before) if before else {}, chosen)
    return made


def _copy_reasons(
    made: Plan,
    drafted: Mapping[int, Booking],
    published: Mapping[int, Booking],
    chosen: frozenset[int],
) -> None:
    rows = list(Booking.objects.filter(plan=made).select_related("phase"))
    for row in rows:
        source = drafted if row.phase.job_id in chosen else published
        told = source.get(row.phase_id)
        if told is not None and told.starts_at == row.starts_at:
            for name in REASON:
                setattr(row, name, getattr(told, name))
    Booking.objects.bulk_update(rows, REASON)


def _keep_the_rest(draft: Plan, made: Plan) -> None:
    """Make what is left of the draft the next draft, where it can be exactly that."""
    if not _differs(draft, made):
        return
    every = frozenset(row.phase.job_id for row in _bookings(draft).values())
    rest = part_of(draft=draft, jobs=every)
    if rest.proposal is None:
        return
    row = plan_making.store(rest.proposal)
    # By its own clock it is as late as the draft would be by now.
    row.as_of = draft.as_of + max(row.made_at - draft.made_at, timedelta(0))
    row.save(update_fields=["as_of"])
    _copy_reasons(row, _bookings(draft), {}, every)


def _differs(draft: Plan, made: Plan) -> bool:
    columns = ("phase", "crew", "starts_at", "ends_at")
    old, new = (
        set(Booking.objects.filter(plan=plan).values_list(*columns)) for plan in (draft, made)
    )
    return old != new


def _when(starts_at: datetime, ends_at: datetime) -> str:
    first, last = timezone.localtime(starts_at), timezone.localtime(ends_at)
    if first.date() == last.date():
        return f"on {first:%a %b %-d}"
    return f"{first:%a %b %-d} to {last:%a %b %-d}"
