"""
Compare the published plan with what it becomes, pushed by what has happened since.

Events are put in one by one in the order in which they happened, and each before-and-after pair is
kept, as in a time impact analysis (AACE 52R-06, from memory): the same events in another order
would share out the blame in another way.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from django.db import transaction
from django.utils import timezone

from contractor.trade.causes import Cause
from jobs.models import Booking, Job, KnownFacts, Phase, Plan, Slip
from jobs.selectors import plans
from jobs.services import notices, plan_making, slip_rows
from jobs.services.slip_events import Event, events_of
from jobs.services.slip_facts import Facts, Known, Replay, changes, packed, unpacked
from jobs.services.slip_measure import Outcome, SiteDays, job_end, take_today_as_told
from jobs.services.slip_rows import Push

if TYPE_CHECKING:
    from collections.abc import Mapping

    from crews.models import Crew
    from jobs.selectors.open_work import OpenWork
    from jobs.services.plan_making import Progress
    from jobs.services.slip_measure import Root


# A report may be stored a moment after it was received, when a comparison has read the work.
IN_FLIGHT = timedelta(minutes=1)
_NEXT = timedelta(microseconds=1)


class ComparedMeanwhile(Exception):  # noqa: N818 - a signal to the caller, who compares anew
    """Another comparison was stored, or another plan published, while this one was made."""


@dataclass(frozen=True, slots=True)
class Compared:
    """What one comparison found: new or grown slips, and those that have ended."""

    plan: Plan | None
    grown: tuple[Slip, ...] = ()
    ended: tuple[Slip, ...] = ()
    new: tuple[Slip, ...] = ()


def know_the_plan(*, plan: Plan, now: datetime) -> KnownFacts:
    """Write down what is known as a plan is published, so that later facts can be told apart."""
    known = Known(plan_making.gather(now=now))
    ends = Booking.objects.filter(plan=plan).values_list("phase", "ends_at")
    row, _ = KnownFacts.objects.update_or_create(
        plan=plan,
        defaults={
            "compared_at": now,
            "facts": packed(known.facts()),
            "finishes": {str(phase): end.isoformat() for phase, end in ends},
        },
    )
    return row


def end_replanned(*, before: Plan, now: datetime) -> int:
    """End the open slips of a plan that another takes the place of; return how many they were."""
    return Slip.objects.filter(plan=before, ended_at=None).update(
        ended_at=now, ended_because=Slip.Ended.REPLANNED
    )


def compare_published(*, now: datetime, trigger: str, progress: Progress | None = None) -> Compared:
    """
    Return what has slipped against the published plan by `now`, after writing it down.

    The same facts twice write nothing. Raises as `planning.repair`, and ComparedMeanwhile.
    """
    plan = plans.published_plan()
    if plan is None:
        return Compared(None)
    before = KnownFacts.objects.filter(plan=plan).first() or know_the_plan(plan=plan, now=now)
    if now < before.compared_at:
        # Somebody who began later was quicker; what is found now comes after what they found.
        now = before.compared_at + _NEXT
    run = _Comparison(plan, before, now, progress or _tell_nobody)
    pushes, finishes, facts = run.pushes()
    with transaction.atomic():
        held = KnownFacts.objects.select_for_update().get(pk=before.pk)
        still = Plan.objects.filter(pk=plan.pk, status=Plan.Status.PUBLISHED).exists()
        if held.compared_at != before.compared_at or not still:
            raise ComparedMeanwhile(f"plan {plan.pk} was compared or replaced meanwhile")
        new, grown = slip_rows.store(plan, pushes, now)
        slip_rows.name_causes(plan, run.told)
        ended = _end_recovered(plan, run, now)
        held.compared_at = now
        held.facts = packed(facts)
        held.finishes = {str(phase): end.isoformat() for phase, end in finishes.items()}
        held.save()
        notices.tell_of_slips(slips=new, now=now)
    return Compared(plan, tuple(grown), tuple(ended), tuple(new))


class _Comparison:
    """One run over the events since the last one, on rows in memory only."""

    def __init__(self, plan: Plan, before: KnownFacts, now: datetime, tell: Progress) -> None:
        self.plan = plan
        self.now = now
        self.tell = tell
        self.work: OpenWork = plan_making.gather(now=now)
        self.old: Facts = unpacked(before.facts)
        self.known_ends = {
            int(phase): datetime.fromisoformat(end) for phase, end in before.finishes.items()
        }
        self.published = _booked(plan, self.work)
        self.days = SiteDays(
            work=self.work,
            zone=timezone.get_default_timezone(),
            since=min((row.starts_at for row in self.published.values()), default=now),
        )
        self.jobs = {job.pk: job for job in self.work.jobs}
        self.phases_of: dict[int, list[int]] = defaultdict(list)
        for row in self.published.values():
            self.phases_of[row.phase.job_id].append(row.phase_id)
        self.ends: dict[int, datetime] = {}
        self.told = slip_rows.told_since(since=before.compared_at - IN_FLIGHT)

    def pushes(self) -> tuple[list[Push], dict[int, datetime], Facts]:
        """Return what each event did to each job, when all ends now, and what is known now."""
        known = Known(self.work)
        facts = known.facts(self.old)
        found = changes(self.old, facts)
        events = events_of(found, known, told=self.told, now=self.now)
        replay = Replay(known, self.old)
        for change in reversed(found):
            replay.leave_out(change)
        take_today_as_told(replay.work, self.published, self.known_ends)
        pushes: list[Push] = []
        ends = self.known_ends
        outcome: Outcome | None = None
        for number, event in enumerate([None, *events]):
            self.tell(5 + 85 * number // (len(events) + 1), f"{number} of {len(events)} events")
            if event:
                for change in event.changes:
                    replay.put_in(change)
            after = Outcome(*plan_making.pushed(replay.work))
            pushes += self._compared(number, event, ends, outcome, after)
            ends, outcome = {**ends, **after.ends}, after
        self.ends = ends
        return pushes, ends, facts

    def _compared(
        self,
        number: int,
        event: Event | None,
        before: Mapping[int, datetime],
        was: Outcome | None,
        after: Outcome,
    ) -> list[Push]:
        """Return what one event did, by job."""
        moved: dict[int, list[int]] = defaultdict(list)
        for phase, end in after.ends.items():
            booked = self.published.get(phase)
            if booked and before.get(phase, booked.ends_at) != end:
                moved[booked.phase.job_id].append(phase)
        after.read_reasons([phase for rows in moved.values() for phase in rows])
        return [
            push
            for job_id, phases in moved.items()
            if (push := self._push(number, event, job_id, phases, before, after, moved))
        ]

    def _push(
        self,
        number: int,
        event: Event | None,
        job_id: int,
        phases: list[int],
        before: Mapping[int, datetime],
        after: Outcome,
        moved: Mapping[int, list[int]],
    ) -> Push | None:
        job = self.jobs[job_id]
        mine = self.phases_of[job_id]
        ends_before = job_end(before, mine)
        ends_after = job_end({**before, **after.ends}, mine)
        crew = self._crew(job_id)
        if ends_before is None or ends_after is None or crew is None:
            return None
        later = [
            (self.days.between(job, crew, before[p], after.ends[p]), p)
            for p in phases
            if p in before and p in after.ends
        ]
        quarters = self.days.between(job, crew, ends_before, ends_after)
        late = sorted(
            ((q, p) for q, p in later if q > 0),
            key=lambda row: (self.published[row[1]].starts_at, row[1]),
        )
        first = max(late, default=None, key=lambda row: row[0])
        if quarters == 0 and first is None:
            return None
        phase = late[0][1] if late else phases[0]
        told, cause, cause_job = self._told_as(event, job_id, phase, after, moved)
        is_slip = any(self._is_slip(job, crew, p, q, before, after) for q, p in late)
        return Push(
            event=told,
            number=number,
            job=job,
            cause=cause,
            cause_job_id=cause_job,
            ends_before=ends_before,
            ends_after=ends_after,
            quarters=quarters,
            phase=after.stretches.get(phase),
            phase_quarters=first[0] if first else 0,
            is_slip=is_slip,
            promise=_promise(job, ends_before, ends_after),
            day_quarters=self.days.day_quarters(job, crew),
            pushed=[self._pushed_row(p, q, job, crew, before, after) for q, p in late],
        )

    def _is_slip(
        self,
        job: Job,
        crew: Crew,
        phase: int,
        quarters: int,
        before: Mapping[int, datetime],
        after: Outcome,
    ) -> bool:
        """Return whether a push takes a phase over the threshold, or is one by itself."""
        least = self.least(job, crew)
        told = self.published[phase].ends_at
        late_after = self.days.between(job, crew, told, after.ends[phase])
        late_before = self.days.between(job, crew, told, before[phase])
        return late_after >= least and (quarters >= least or late_before < least)

    def least(self, job: Job, crew: Crew) -> float:
        """Return from how many working quarter hours on something is a slip."""
        return self.work.firm.slip_threshold_days * self.days.day_quarters(job, crew)

    def is_back(self, job: Job) -> bool:
        """Return whether a job and all of it that is left end near enough to what was told."""
        crew = self._crew(job.pk)
        mine = self.phases_of[job.pk]
        told = job_end({p: self.published[p].ends_at for p in mine}, mine)
        ends = job_end(self.ends, mine)
        if crew is None or told is None or ends is None:
            return True
        left = [p.pk for p in job.phases.all() if p.status != Phase.Status.DONE and p.pk in mine]
        pairs = [(told, ends), *((self.published[p].ends_at, self.ends[p]) for p in left)]
        least = self.least(job, crew)
        return all(self.days.between(job, crew, a, b) < least for a, b in pairs)

    def _told_as(
        self,
        event: Event | None,
        job_id: int,
        phase: int,
        after: Outcome,
        moved: Mapping[int, list[int]],
    ) -> tuple[Event, Cause | None, int | None]:
        """Return the event that a push goes back to, its cause, and the job that passes it on."""
        root = after.root(phase)
        if event is None:
            event = self._passing(phase, root)
            if root and root.job_id != job_id:
                return event, Cause.KNOCK_ON, root.job_id
            return event, event.cause, None
        if event.job_id == job_id:
            return event, event.cause, None
        others = [
            other
            for behind, other, _ in after.jobs_behind(phase)
            if other != job_id and behind in moved.get(other, ())
        ]
        if others:
            return event, Cause.KNOCK_ON, others[0]
        if event.job_id is not None:
            return event, Cause.KNOCK_ON, event.job_id
        return event, event.cause, None

    def _passing(self, phase: int, root: Root | None) -> Event:
        """Return the passing of time as an event: what has not come, or has not been reported."""
        if root is None:
            booked = self.published[phase].phase
            words = f"{booked.get_code_display()} of {booked.job.number}"
            return Event(f"passing:{phase}", words, self.now, None, booked.job_id, ())
        why = root.why or "not reported as done"
        return Event(
            key=f"passing:{root.phase_id}:{root.cause or 'SILENCE'}",
            what=f"{root.label} of {root.job_number}: {why}"[:200],
            happened_at=self.now,
            cause=root.cause,
            job_id=root.job_id,
            changes=(),
        )

    def _crew(self, job_id: int) -> Crew | None:
        """Return the crew whose week the job's days are counted in: the last one booked there."""
        booked = [self.published[p] for p in self.phases_of[job_id] if self.published[p].crew]
        if booked:
            return max(booked, key=lambda row: (row.starts_at, row.pk)).crew
        return self.work.crews[0] if self.work.crews else None

    def _pushed_row(
        self,
        phase: int,
        quarters: int,
        job: Job,
        crew: Crew,
        before: Mapping[int, datetime],
        after: Outcome,
    ) -> dict[str, Any]:
        booked, now = self.published[phase], after.stretches.get(phase)
        return {
            "phase": phase,
            "code": booked.phase.code,
            "part": booked.phase.part,
            "parts": booked.phase.parts,
            "crew": booked.crew_id,
            "crew_name": booked.crew.name if booked.crew else None,
            "ends_before": before[phase].isoformat(),
            "ends_after": after.ends[phase].isoformat(),
            "starts_at": now.starts_at.isoformat() if now else None,
            "days": round(quarters / self.days.day_quarters(job, crew), 2),
        }


def _booked(plan: Plan, work: OpenWork) -> dict[int, Booking]:
    """Return a plan's bookings by phase, on the phases that are read already where they are."""
    rows = Booking.objects.filter(plan=plan).select_related("crew__work_hours")
    found = {row.phase_id: row for row in rows}
    phases = {phase.pk: phase for job in work.jobs for phase in job.phases.all()}
    rest = found.keys() - phases.keys()
    phases |= Phase.objects.select_related("job").in_bulk(rest) if rest else {}
    for key, row in found.items():
        row.phase = phases[key]
    return found


def _end_recovered(plan: Plan, run: _Comparison, now: datetime) -> list[Slip]:
    """End the slips of jobs that are done, or back within the threshold of what was told."""
    ended = []
    for slip in Slip.objects.filter(plan=plan, ended_at=None).select_related("job").order_by("pk"):
        job = run.jobs.get(slip.job_id)
        if job is None:
            because = Slip.Ended.FINISHED
        elif run.is_back(job):
            because = Slip.Ended.RECOVERED
        else:
            continue
        slip.ended_at, slip.ended_because = now, because
        slip.save(update_fields=["ended_at", "ended_because"])
        ended.append(slip)
    return ended


def _promise(job: Job, before: datetime, after: datetime) -> str:
    if job.promised_on is None:
        return Slip.Promise.NONE
    if timezone.localtime(after).date() <= job.promised_on:
        return Slip.Promise.KEPT
    late = timezone.localtime(before).date() > job.promised_on
    return Slip.Promise.LATE_BEFORE if late else Slip.Promise.BROKEN


def _tell_nobody(percent: int, text: str, total: float | None = None) -> None:
    """Comparing without anyone watching."""
