"""The concrete of a job: how strong it is, and when each phase may load it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework.response import Response

from crews.selectors import NoFirm
from inspections.selectors.cure_temps import climates_at
from inspections.selectors.pours import Gate, PourStatus, concrete_of
from jobs.api.base import OwnersView, missing
from jobs.api.kept import kept
from jobs.api.pour_shapes import JobPoursShape
from jobs.api.shapes import answers
from jobs.models import Job
from jobs.selectors import plans

if TYPE_CHECKING:
    from datetime import datetime

    from rest_framework.request import Request


class JobPours(OwnersView):
    """The concrete of one job."""

    @extend_schema(responses=answers(JobPoursShape, 404), operation_id="job_pours_read")
    @kept
    def get(self, request: Request, number: str) -> Response:
        """Show a job's pours with their strength now, and the phases that wait for them."""
        job = Job.objects.filter(number=number).first()
        if job is None:
            raise missing("job", number, "/api/v1/jobs/")
        now = timezone.now()
        body = {"job": job.number, "pours": [_pour(row, now) for row in _concrete(job, now)]}
        return Response(JobPoursShape(body).data)


def _concrete(job: Job, now: datetime) -> tuple[PourStatus, ...]:
    try:
        climate = climates_at(now).of(job)
    except NoFirm:
        return ()
    plan = plans.published_plan()
    ends = {row.phase_id: row.ends_at for row in plans.job_bookings(plan, job)} if plan else {}
    return concrete_of(job, climate=climate, ends=ends)


def _pour(status: PourStatus, now: datetime) -> dict[str, Any]:
    pour, clock = status.pour, status.clock
    hours = clock.hours_at(now)
    share = clock.share(hours)
    return {
        "phase": pour.phase.code,
        "part": pour.part,
        "planned": status.is_planned,
        "poured_at": pour.poured_at,
        "mix_psi": pour.mix_psi,
        "cement": pour.cement,
        "cured": pour.cured,
        "strength_share": round(share, 4),
        "strength_psi": round(share * pour.mix_psi),
        "equivalent_age_hours": round(clock.equivalent_hours(hours), 1),
        "maturity_degc_hours": round(clock.maturity_degc_hours(hours)),
        "measured_until": clock.measured_until,
        "readings": sorted(pour.readings.all(), key=lambda row: row.taken_at) if pour.pk else [],
        "gates": [_gate(gate) for gate in status.gates],
        "cautions": status.cautions,
    }


def _gate(gate: Gate) -> dict[str, Any]:
    return {
        "before": gate.follows.after,
        "strength_share": gate.needed.need.strength_share,
        "minimum_hours": gate.needed.need.minimum_hours,
        "stated_by": gate.needed.stated_by,
        "ready_at": gate.ready_at,
        "mean_degf": None if gate.mean_degf is None else round(gate.mean_degf, 1),
    }
