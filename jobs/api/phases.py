"""Phases of all jobs: what was told first, what is planned, what happened, what is forecast."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.response import Response

from contractor.trade.phases import PHASE_TABLE
from jobs.api.base import OwnersList, OwnersView, missing
from jobs.api.forecasts import QuantilesShape
from jobs.api.kept import kept
from jobs.api.plan_shapes import JobWaitShape
from jobs.api.queries import PHASE_ORDERS, PhasesQuery, crew_named, in_order, words_in_job
from jobs.api.shapes import Shape, answers
from jobs.selectors import job_progress, plan_json, plans
from jobs.selectors.forecasts import latest_forecast, site_iso, spread
from jobs.selectors.phase_dates import forecasts_of, listed_phases

if TYPE_CHECKING:
    from collections.abc import Mapping

    from django.db.models import QuerySet
    from rest_framework.request import Request

    from jobs.models import Phase, PhaseForecast

# By which column each parameter narrows the list.
COLUMNS = {"job": "job__number", "phase": "code", "status": "status"}


class PhaseSpreadShape(Shape):
    """When a phase that is not done starts and ends, by the newest forecast."""

    start = QuantilesShape()
    finish = QuantilesShape()


class PhaseShape(Shape):
    """A phase in a list: its hours, and its dates as told first, planned, met and forecast."""

    id = serializers.IntegerField()
    job = serializers.CharField()
    phase = serializers.CharField(help_text="Its code.")
    part = serializers.IntegerField(help_text="Of a phase that was split ahead, else 1.")
    parts = serializers.IntegerField(help_text="Into how many it was split, else 1.")
    label = serializers.CharField()
    status = serializers.CharField()
    crew = serializers.CharField(
        allow_null=True,
        help_text="Booked in the published plan, else who is on it or did it. Null: none of ours.",
    )
    share_done = serializers.FloatField(help_text="0 to 1.")
    labor_hours = serializers.FloatField(help_text="Hours of people: what the plan counts with.")
    reported_hours = serializers.FloatField(
        allow_null=True, help_text="Hours of people, as reported so far."
    )
    baseline_start = serializers.DateTimeField(
        allow_null=True, help_text="Of the first plan that was published with it."
    )
    baseline_finish = serializers.DateTimeField(allow_null=True)
    planned_start = serializers.DateTimeField(
        allow_null=True,
        help_text="Of the published plan; of finished work, of the last plan that had it.",
    )
    planned_finish = serializers.DateTimeField(allow_null=True)
    pinned = serializers.BooleanField()
    actual_start = serializers.DateTimeField(allow_null=True)
    actual_finish = serializers.DateTimeField(allow_null=True)
    forecast = PhaseSpreadShape(allow_null=True, help_text="Null for what is done or has no dates.")


class PhaseReadShape(PhaseShape):
    """One phase, with what its hours, its start and its waits rest on."""

    arithmetic = serializers.CharField(
        allow_blank=True, help_text="How the take-off and the rates give the hours."
    )
    set_by_office = serializers.BooleanField()
    because = serializers.CharField(allow_null=True, help_text="What binds the planned start.")
    stopped_by = serializers.CharField(allow_null=True)
    stopped_until = serializers.DateTimeField(allow_null=True)
    left_out_because = serializers.CharField(
        allow_null=True, help_text="Why learning leaves it out; null if it does not."
    )
    waits = JobWaitShape(many=True, help_text="Of the published plan, before it may begin.")
    caution = serializers.CharField(allow_blank=True)


class PhaseList(OwnersList):
    """The phases of all jobs."""

    query_class = PhasesQuery
    serializer_class = PhaseShape
    shows_json = True

    @extend_schema(
        parameters=[PhasesQuery],
        responses=answers(PhaseShape(many=True)),
        operation_id="phases_list",
    )
    @kept
    def get(self, request: Request) -> Response:
        """List phases by job in build order; those that a building no longer has are left out."""
        rows = _filtered(listed_phases(), self.query)
        return self.answer(
            in_order(rows, self.query, PHASE_ORDERS, "job__number", "sequence", "id")
        )

    def show(self, page: list[Phase]) -> list[dict[str, Any]]:
        """Return the phases of a page, with what is forecast of them."""
        ahead = forecasts_of(page, latest_forecast())
        return [_line(phase, ahead.get(phase.pk)) for phase in page]


class PhaseDetail(OwnersView):
    """One phase."""

    @extend_schema(responses=answers(PhaseReadShape, 404), operation_id="phases_read")
    @kept
    def get(self, request: Request, phase_id: int) -> Response:
        """Show a phase with what its hours, its start and its waits rest on."""
        rows = listed_phases().select_related("left_out").defer(None)
        phase = rows.filter(pk=phase_id).first()
        if phase is None:
            raise missing("phase", phase_id, "/api/v1/phases/")
        ahead = forecasts_of([phase], latest_forecast())
        return Response({**_line(phase, ahead.get(phase.pk)), **_rest(phase)})


def _filtered(rows: QuerySet[Phase], query: Mapping[str, Any]) -> QuerySet[Phase]:
    rows = rows.filter(**{column: query[name] for name, column in COLUMNS.items() if name in query})
    if "crew" in query:
        rows = rows.filter(crew_name=crew_named(query["crew"]).name)
    if "from" in query:
        rows = rows.filter(planned_ends_at__date__gte=query["from"])
    if "to" in query:
        rows = rows.filter(planned_starts_at__date__lte=query["to"])
    if "search" in query:
        rows = rows.filter(words_in_job(query["search"], "job__"))
    return rows


def _line(phase: Phase, ahead: PhaseForecast | None) -> dict[str, Any]:
    told = vars(phase)
    return {
        "id": phase.pk,
        "job": phase.job.number,
        "phase": phase.code,
        "part": phase.part,
        "parts": phase.parts,
        "label": phase.get_code_display(),
        "status": phase.status,
        "crew": told["crew_name"],
        "share_done": job_progress.phase_share_done(phase),
        "labor_hours": phase.planned_hours,
        "reported_hours": phase.reported_hours,
        "baseline_start": site_iso(told["first_starts_at"]),
        "baseline_finish": site_iso(told["first_ends_at"]),
        "planned_start": site_iso(told["planned_starts_at"]),
        "planned_finish": site_iso(told["planned_ends_at"]),
        "pinned": bool(told["planned_is_pinned"]),
        "actual_start": site_iso(phase.started_at),
        "actual_finish": site_iso(phase.done_at),
        "forecast": ahead and {edge: spread(ahead, edge) for edge in ("start", "finish")},
    }


def _rest(phase: Phase) -> dict[str, Any]:
    plan = plans.published_plan()
    waits = plans.job_waits(plan, phase.job).filter(before_code=phase.code) if plan else ()
    left_out = getattr(phase, "left_out", None)
    return {
        "arithmetic": phase.labor_arithmetic,
        "set_by_office": phase.office_hours is not None,
        "because": vars(phase)["planned_because"],
        "stopped_by": phase.stopped_by or None,
        "stopped_until": site_iso(phase.stopped_until),
        "left_out_because": left_out and left_out.reason,
        "waits": [plan_json.wait_as_json(wait) for wait in waits],
        "caution": PHASE_TABLE[phase.code].caution,
    }
