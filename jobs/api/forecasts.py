"""Forecasts of the published plan as they were made, and how good past ones were."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.response import Response

from jobs.api.base import OwnersList, OwnersView
from jobs.api.kept import kept
from jobs.api.queries import (
    Query,
    in_order,
    job_field,
    order_field,
    search_field,
    words_in_job,
)
from jobs.api.shapes import Shape, answers
from jobs.models import JobForecast
from jobs.selectors import forecasts
from jobs.selectors.drivers import Driver

if TYPE_CHECKING:
    from rest_framework.request import Request

ORDERS = {
    "job": "job__number",
    "promised": "promised_on",
    "finish_p50": "finish_p50",
    "keep_chance": "keep_chance",
    "expected_days_late": "expected_days_late",
}


class ForecastsQuery(Query):
    """Which forecast, and which of its jobs."""

    as_of = serializers.DateField(
        required=False,
        help_text="The newest forecast of what was known on this day; without it, of today.",
    )
    job = job_field()
    include = serializers.ChoiceField(
        choices=["phases"],
        required=False,
        help_text="phases: with the phases of each job. Without it, jobs alone.",
    )
    search = search_field()
    ordering = order_field(ORDERS)


class QuantilesShape(Shape):
    """Moments that are not exceeded with a chance of 10, 50, 80, 90 %; null: beyond the draws."""

    p10 = serializers.DateTimeField(allow_null=True)
    p50 = serializers.DateTimeField(allow_null=True)
    p80 = serializers.DateTimeField(allow_null=True)
    p90 = serializers.DateTimeField(allow_null=True)


class DriverShape(Shape):
    """A cause of lateness."""

    cause = serializers.ChoiceField(choices=[(driver.value, driver.value) for driver in Driver])
    name = serializers.CharField(
        allow_null=True, help_text="The crew, machine, phase, wait, supplier or authority."
    )
    days = serializers.FloatField(
        help_text="Of the expected days late; of a job without a promise, past its planned finish."
    )
    share = serializers.FloatField(help_text="Of the days of all causes, 0 to 1.")


class PhaseForecastShape(Shape):
    """When a phase starts and ends."""

    phase = serializers.CharField()
    part = serializers.IntegerField(help_text="Of a phase that was split ahead, else 1.")
    crew = serializers.CharField(allow_null=True)
    planned_start = serializers.DateTimeField()
    planned_finish = serializers.DateTimeField()
    start = QuantilesShape()
    finish = QuantilesShape()


class ForecastHeadShape(Shape):
    """What a forecast rests on."""

    id = serializers.IntegerField()
    plan = serializers.IntegerField()
    as_of = serializers.DateTimeField()
    made_at = serializers.DateTimeField()
    draws = serializers.IntegerField()
    seed = serializers.IntegerField()
    policy = serializers.CharField()


class JobForecastShape(Shape):
    """When a job starts and ends, how surely its promise is kept, and what drives that."""

    forecast = ForecastHeadShape()
    job = serializers.CharField()
    promised = serializers.DateField(allow_null=True)
    planned_finish = serializers.DateTimeField(allow_null=True)
    start = QuantilesShape()
    finish = QuantilesShape()
    keep_chance = serializers.FloatField(allow_null=True, help_text="0 to 1.")
    expected_days_late = serializers.FloatField(
        allow_null=True, help_text="Mean calendar days past the promise; early counts 0."
    )
    drivers = DriverShape(many=True)
    no_dates_because = serializers.CharField(allow_null=True)
    phases = PhaseForecastShape(many=True, required=False, help_text="Only if asked to include.")


class CoverageShape(Shape):
    """How often a quantile was not exceeded, among those whose day has passed."""

    quantile = serializers.CharField()
    share = serializers.FloatField(help_text="What it should be.")
    covered = serializers.FloatField(help_text="What it was.")
    due = serializers.IntegerField()
    low = serializers.FloatField(help_text="Calibrated forecasts lie above, 19 times in 20.")
    high = serializers.FloatField(help_text="And below.")


class CalibrationShape(Shape):
    """How good past forecasts of finishes were."""

    lead = serializers.CharField(help_text="How far they looked ahead.")
    forecasts = serializers.IntegerField(help_text="Of one job each, the first of each week.")
    ended = serializers.IntegerField(help_text="Of jobs that have ended.")
    coverages = CoverageShape(many=True)
    pinball_days = serializers.DictField(
        child=serializers.FloatField(), help_text="Mean pinball loss by quantile, in days."
    )
    crps_days = serializers.FloatField(
        allow_null=True, help_text="Mean continuous ranked probability score, in days."
    )
    bias_days = serializers.FloatField(
        allow_null=True, help_text="Median of actual finish less P50; above 0 is later than told."
    )


class ForecastList(OwnersList):
    """The newest forecast, or that of an earlier day, by job."""

    query_class = ForecastsQuery
    serializer_class = JobForecastShape
    shows_json = True

    @extend_schema(
        parameters=[ForecastsQuery],
        responses=answers(JobForecastShape(many=True)),
        operation_id="forecasts_list",
    )
    @kept
    def get(self, request: Request) -> Response:
        """List when jobs and phases start and end, with their chances; empty without forecast."""
        forecast = forecasts.latest_forecast(on=self.query.get("as_of"))
        if forecast is None:
            return self.answer(JobForecast.objects.none().order_by("pk"))
        rows = forecasts.job_forecasts(forecast)
        if "job" in self.query:
            rows = rows.filter(job__number=self.query["job"])
        if "search" in self.query:
            rows = rows.filter(words_in_job(self.query["search"], "job__"))
        self.head = forecasts.head_as_json(forecast)
        return self.answer(in_order(rows, self.query, ORDERS, "job__number"))

    def show(self, page: list[JobForecast]) -> list[dict[str, Any]]:
        """Return the rows of a page as the list shows them."""
        told = forecasts.jobs_as_json(page, with_phases="include" in self.query)
        return [{"forecast": self.head, **row} for row in told]


class CalibrationRead(OwnersView):
    """How good past forecasts were."""

    @extend_schema(responses=answers(CalibrationShape(many=True)), operation_id="calibration_read")
    @kept
    def get(self, request: Request) -> Response:
        """Show coverage and losses of past forecasts, of all and by how far they looked ahead."""
        body = [
            {
                "lead": row.lead,
                "forecasts": row.forecasts,
                "ended": row.ended,
                "coverages": [
                    {
                        "quantile": one.name,
                        "share": one.share,
                        "covered": round(one.covered, 4),
                        "due": one.due,
                        "low": round(one.low, 4),
                        "high": round(one.high, 4),
                    }
                    for one in row.coverages
                ],
                "pinball_days": {name: round(v, 3) for name, v in row.pinball_days.items()},
                "crps_days": None if row.crps_days is None else round(row.crps_days, 3),
                "bias_days": None if row.bias_days is None else round(row.bias_days, 3),
            }
            for row in forecasts.calibration(now=timezone.now())
        ]
        return Response(CalibrationShape(body, many=True).data)
