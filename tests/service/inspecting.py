"""What tests of inspections share: a published job whose holes are dug, and words for visits."""

from datetime import datetime, timedelta
from typing import Any

from inspections.models import Inspection
from inspections.services import visits
from inspections.services.visits import Recorded, Said
from jobs.models import Booking, Job, Phase, Plan
from jobs.services import planning, publishing
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job


def publish(now: datetime = MONDAY) -> Plan:
    """Return a plan of all open work, published."""
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)
    return plan


def published_job(**columns: Any) -> Job:
    """Return a job of a firm with two crews, planned and published on Monday."""
    make_firm()
    job = make_job(**columns)
    cover_digging(job)
    publish()
    return job


def phase(job: Job, code: str) -> Phase:
    """Return a job's phase as it stands."""
    return Phase.objects.get(job=job, code=code)


def booked(job: Job, code: str) -> Booking:
    """Return a phase's booking in the published plan."""
    return Booking.objects.get(phase__job=job, phase__code=code, is_live=True)


def finish(job: Job, *codes: str, at: datetime) -> None:
    """Report phases as done, each begun two hours before."""
    for code in codes:
        begun = at - timedelta(hours=2)
        Phase.objects.filter(job=job, code=code).update(
            status="DONE", started_at=begun, done_at=at, share_done=1
        )


def asked(job: Job, code: str, *, now: datetime) -> Inspection:
    """Return a visit that is asked for in the window that the plan counts on."""
    booking = booked(job, code)
    done = visits.ask(
        phase_id=booking.phase_id,
        visit_from=booking.starts_at,
        visit_until=booking.ends_at,
        said=Said(now=now),
    )
    return done.event.inspection


def told(visit: Inspection, outcome: str, *, now: datetime, **more: Any) -> Recorded:
    """Record what came of a visit, as the one who sees its latest event."""
    last = visit.events.order_by("-number").first()
    note = more.pop("note", "")
    return visits.record(
        inspection_id=visit.pk,
        seen=last.number if last else 0,
        outcome=outcome,
        said=Said(now=now, note=note, by=more.pop("by", None), said_by=more.pop("said_by", "")),
        **more,
    )
