"""What phases wait for from authorities: drawings to apply with, the permit, inspections."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.trade.phases import INSPECTIONS, PHASE_TABLE
from inspections.models import Inspection
from jobs.models import Phase
from jobs.selectors.hold_facts import Clears, HoldFact, HoldKind
from jobs.selectors.needs import built

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import date, datetime

    from inspections.models import Permit
    from jobs.models import Job

Status = Inspection.Status
ASKED = (Status.REQUESTED.value, Status.CONFIRMED.value)


def open_holds(jobs: Sequence[Job], now: datetime) -> list[HoldFact]:
    """
    Return what drawings, permits and inspections hold, and those that are there as cleared.

    Each job needs its phases, `NEEDED_ROWS` and its permit with the authority; one query.
    """
    visits = _last_visits(jobs)
    facts: list[HoldFact] = []
    for job in jobs:
        permit = getattr(job, "permit", None)
        first = next((p for p in job.phases.all() if p.status == Phase.Status.OPEN), None)
        if first is None or (permit is not None and permit.is_exempt):
            continue
        if permit is None:
            facts.append(_no_authority(job, first.code))
            continue
        facts += _permit_holds(job, permit, first.code)
        facts += _inspection_holds(job, permit, visits)
    return facts


LEFT = (Phase.Status.OPEN, Phase.Status.UNDER_WAY)


def _last_visits(jobs: Sequence[Job]) -> dict[int, Inspection]:
    """Return the last visit of each inspection that was not entered by mistake, by phase."""
    rows = Inspection.objects.filter(phase__job__in=[job.pk for job in jobs])
    rows = rows.exclude(status=Status.TAKEN_BACK).order_by("requested_at", "id")
    return {row.phase_id: row for row in rows}


def _no_authority(job: Job, code: str) -> HoldFact:
    return HoldFact(
        job_id=job.pk,
        kind=HoldKind.PERMIT,
        phase_code=code,
        what="it is not said which authority the site belongs to",
        clears=Clears.OFFICE,
        since=job.sold_on,
    )


def _permit_holds(job: Job, permit: Permit, code: str) -> Iterator[HoldFact]:
    applied, drawings = permit.applied_on, permit.drawings_received_on
    if drawings or not (applied or permit.issued_on):
        yield HoldFact(
            job_id=job.pk,
            kind=HoldKind.DRAWINGS,
            phase_code=code,
            what="the engineer's sealed drawings, to apply for the permit with",
            clears=Clears.OFFICE,
            since=job.sold_on,
            cleared_on=drawings,
        )
    words = f"applied for {_day(applied)}" if applied else "not applied for"
    if permit.expected_on:
        words += f", expected {_day(permit.expected_on)}"
    yield HoldFact(
        job_id=job.pk,
        kind=HoldKind.PERMIT,
        phase_code=code,
        what=f"permit {permit.number} issued" if permit.issued_on else f"permit {words}",
        clears=Clears.AUTHORITY if applied else Clears.OFFICE,
        who=permit.authority.name if applied else "",
        since=applied,
        expected_on=permit.expected_on,
        cleared_on=permit.issued_on,
    )


def _inspection_holds(
    job: Job, permit: Permit, visits: Mapping[int, Inspection]
) -> Iterator[HoldFact]:
    """
    Tell of each inspection whose work is done, or that was asked for; others are not near yet.

    It holds the first open phase that follows it; the final one holds nothing but itself.
    """
    found = built(job)
    if found is None:
        return
    network = found[1]
    rows = {phase.code: phase for phase in job.phases.all()}
    open_codes = {p.code for p in job.phases.all() if p.status == Phase.Status.OPEN}
    for code in network.phases:
        row = rows.get(code)
        if code not in INSPECTIONS or row is None:
            continue
        before = {link.before for link in network.follows if link.after == code}
        is_near = not any(p.code in before and p.status in LEFT for p in job.phases.all())
        after = [link.after for link in network.follows if link.before == code]
        held = next((c for c in after if c in open_codes), code)
        if held in open_codes and (is_near or row.pk in visits):
            yield _inspection_hold(job, permit, row, held, visits.get(row.pk))


def _inspection_hold(
    job: Job, permit: Permit, phase: Phase, held: str, visit: Inspection | None
) -> HoldFact:
    done = phase.status == Phase.Status.DONE
    asked = visit is not None and visit.status in ASKED
    return HoldFact(
        job_id=job.pk,
        kind=HoldKind.INSPECTION,
        phase_code=held,
        what=_visit_words(phase, None if done else visit, done=done),
        clears=Clears.AUTHORITY if asked else Clears.OFFICE,
        who=permit.authority.name if asked else "",
        since=timezone.localdate(visit.requested_at) if visit else None,
        expected_on=timezone.localdate(visit.visit_from)
        if visit and asked and visit.visit_from
        else None,
        cleared_on=timezone.localdate(phase.done_at) if done and phase.done_at else None,
    )


def _visit_words(phase: Phase, visit: Inspection | None, *, done: bool) -> str:
    name = PHASE_TABLE[phase.code].label
    if done:
        return f"{name} passed"
    if visit is None:
        return f"{name} not asked for"
    asked = timezone.localdate(visit.requested_at)
    if visit.status == Status.REQUESTED:
        return f"{name} asked for {_day(asked)}, no time confirmed"
    if visit.status == Status.CONFIRMED and visit.visit_from:
        at = timezone.localtime(visit.visit_from)
        return f"{name} confirmed for {at:%a} {_day(at.date())}, {at:%H:%M}"
    if visit.status == Status.PARTIAL:
        return f"{name} passed in part, only {visit.released}; the rest waits"
    note = f" ({visit.note})" if visit.note else ""
    return f"{name}: {visit.get_status_display().lower()}{note}; to be asked for again"


def _day(day: date) -> str:
    return f"{day:%b %-d, %Y}"
