"""Jobs: the list with its filters, and one job with all that is planned for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.db.models import F, Q, QuerySet
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework.response import Response

from contractor.problems import errors_of, shown
from contractor.trade.errors import SpecError
from contractor.trade.phases import PHASE_TABLE
from contractor.trade.takeoff import take_off
from inspections.selectors.locate import ticket_warnings
from inspections.selectors.site import site_of
from jobs.admin.words import building_words
from jobs.api.base import OwnersList, OwnersView, missing
from jobs.api.hold_shapes import JobReadShape
from jobs.api.holds import hold_body, warning_body
from jobs.api.kept import kept
from jobs.api.queries import JOB_ORDERS, JobsQuery, in_order, words_in_job
from jobs.api.shapes import JobShape, answers
from jobs.api.weather import site_body
from jobs.models import Booking, Job, Phase
from jobs.selectors import job_progress, plan_json, plans
from jobs.selectors.buildings import building_of
from jobs.selectors.holds import holds

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rest_framework.request import Request

    from contractor.trade.building import Building
    from contractor.trade.errors import Caution

COLUMNS = ("status", "foundation", "use")
# What `job_line` tells of: a row of all sixty columns takes several times as long to read.
LINE_COLUMNS = (
    *("number", "buyer_name", "status", "sold_on", "promised_on", "completed_on"),
    *("use", "foundation", "width_ft", "length_ft", "eave_ft", "extends_existing"),
    "contract_value_usd",
)
LATE = Q(has_unplanned=False, planned_finish_at__date__gt=F("promised_on"))
# Written out, since the opposite of a comparison with nothing is nothing in SQL.
NOT_LATE = (
    Q(has_unplanned=True)
    | Q(planned_finish_at=None)
    | Q(promised_on=None)
    | Q(planned_finish_at__date__lte=F("promised_on"))
)


class JobList(OwnersList):
    """All jobs, with what the published plan says of each."""

    query_class = JobsQuery
    serializer_class = JobShape

    @extend_schema(
        parameters=[JobsQuery], responses=answers(JobShape(many=True)), operation_id="jobs_list"
    )
    @kept
    def get(self, request: Request) -> Response:
        """List jobs."""
        rows = job_progress.with_plan_dates(Job.objects.only(*LINE_COLUMNS), now=timezone.now())
        rows = _filtered(rows, self.query)
        return self.answer(in_order(rows, self.query, JOB_ORDERS, "number"))

    def show(self, page: list[Job]) -> list[dict[str, Any]]:
        """Return the jobs of a page as the list shows them."""
        return [job_line(job) for job in page]


class JobDetail(OwnersView):
    """One job."""

    @extend_schema(responses=answers(JobReadShape, 404), operation_id="jobs_read")
    @kept
    def get(self, request: Request, number: str) -> Response:
        """Show a job with its phases, waits, holds, take-off and cautions."""
        now = timezone.now()
        jobs = Job.objects.prefetch_related("openings", "lean_tos")
        job = job_progress.with_plan_dates(jobs, now=now).filter(number=number).first()
        if job is None:
            raise missing("job", number, "/api/v1/jobs/")
        phases = job_progress.live_phases().filter(job=job)
        plan = plans.published_plan()
        bookings = {row.phase_id: row for row in plans.job_bookings(plan, job)} if plan else {}
        waits = plans.job_waits(plan, job) if plan else ()
        body = {
            **job_line(job),
            "phases": [_phase(phase, bookings.get(phase.pk)) for phase in phases],
            "waits": [plan_json.wait_as_json(wait) for wait in waits],
            "holds": [hold_body(row) for row in holds(now=now, job=job, cleared=True)],
            "site": site_body(job, site_of(job)),
            "ticket_warnings": [warning_body(row) for row in ticket_warnings(now=now, job=job)],
            **_built(job),
        }
        return Response(JobReadShape(body).data)


def job_line(job: Job) -> dict[str, Any]:
    """Return a job, annotated by `job_progress.with_plan_dates`, as lists show it."""
    is_covered = not job.has_unplanned  # type: ignore[attr-defined]
    late = job_progress.days_late(job)
    return {
        "number": job.number,
        "buyer": job.buyer_name,
        "building": building_words(job),
        "use": job.use,
        "foundation": job.foundation,
        "status": job.status,
        "stage": job_progress.stage_of(job),
        "sold_on": job.sold_on,
        "promised": job.promised_on,
        "planned_start": job.planned_start_at,  # type: ignore[attr-defined]
        "planned_finish": job.planned_finish_at if is_covered else None,  # type: ignore[attr-defined]
        "days_late": max(0, late) if is_covered and late is not None else None,
        "contract_value_usd": job.contract_value_usd,
        "not_earned_usd": job_progress.value_not_earned_usd(job),
    }


def cautions_of(building: Building) -> list[dict[str, Any]]:
    """Return a building's cautions as the API shows them."""
    return [_caution(caution) for caution in building.cautions()]


def _caution(caution: Caution) -> dict[str, Any]:
    return {
        "field": caution.field,
        "value": shown(caution.value),
        "message": caution.message,
    }


def _filtered(rows: QuerySet[Job], query: Mapping[str, Any]) -> QuerySet[Job]:
    rows = rows.filter(**{name: query[name] for name in COLUMNS if name in query})
    if "late" in query:
        rows = rows.filter(LATE if query["late"] else NOT_LATE)
    for name, lookup in (("planned_finish_before", "lte"), ("planned_finish_after", "gte")):
        if name in query:
            day = {f"planned_finish_at__date__{lookup}": query[name]}
            rows = rows.filter(has_unplanned=False, **day)
    if "search" in query:
        rows = rows.filter(words_in_job(query["search"]))
    return rows


def _phase(phase: Phase, booking: Booking | None) -> dict[str, Any]:
    crew = booking.crew if booking else phase.crew
    return {
        "code": phase.code,
        "part": phase.part,
        "parts": phase.parts,
        "label": phase.get_code_display(),
        "status": phase.status,
        "share_done": job_progress.phase_share_done(phase),
        "labor_hours": phase.planned_hours,
        "arithmetic": phase.labor_arithmetic,
        "set_by_office": phase.office_hours is not None,
        "planned_start": booking.starts_at if booking else None,
        "planned_finish": booking.ends_at if booking else None,
        "crew": crew.name if crew else None,
        "because": booking.because if booking else None,
        "pinned": booking.is_pinned if booking else False,
        "caution": PHASE_TABLE[phase.code].caution,
    }


def _built(job: Job) -> dict[str, Any]:
    """Return a job's take-off and cautions, or what keeps the stored building from having them."""
    try:
        building = building_of(job)
    except SpecError as error:
        return {"take_off": [], "cautions": [], "faults": errors_of(error.faults)}
    return {
        "take_off": take_off(building).lines,
        "cautions": cautions_of(building),
        "faults": [],
    }
