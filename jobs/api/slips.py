"""What has slipped against the published plan."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.db.models import F
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.response import Response

from contractor.trade.causes import Cause
from jobs.api.base import OwnersList
from jobs.api.kept import kept
from jobs.api.queries import (
    Query,
    in_order,
    job_field,
    order_field,
    phase_field,
    search_field,
    words_in_job,
)
from jobs.api.shapes import Shape, answers
from jobs.selectors import slips

if TYPE_CHECKING:
    from rest_framework.request import Request

    from jobs.models import Slip


ORDERS = {
    "happened_at": "happened_at",
    "found_at": "found_at",
    "ended_at": "ended_at",
    "days": "late_days",
    "job": "job__number",
}


class SlipsQuery(Query):
    """Which slips, and in which order."""

    open = serializers.BooleanField(
        required=False, help_text="Only open slips, or only ended ones; without it, all."
    )
    job = job_field()
    phase = phase_field()
    cause = serializers.ChoiceField(
        choices=[(cause.value, cause.label) for cause in Cause], required=False
    )
    search = search_field()
    ordering = order_field(ORDERS)


class PushShape(Shape):
    """A booking that a slip moves."""

    phase = serializers.CharField()
    part = serializers.IntegerField(help_text="Of a phase that was split ahead, else 1.")
    crew = serializers.CharField(allow_null=True)
    days = serializers.FloatField(help_text="Working days by which it ends later.")


class SlipShape(Shape):
    """One event that moves one job later than the published plan says."""

    id = serializers.IntegerField()
    job = serializers.CharField()
    plan = serializers.IntegerField()
    what = serializers.CharField()
    cause = serializers.CharField(allow_null=True, help_text="Null until somebody has said.")
    knock_on_of = serializers.CharField(allow_null=True, help_text="The job that passes it on.")
    phase = serializers.CharField(help_text="What moves first.")
    part = serializers.IntegerField(help_text="Of a phase that was split ahead, else 1.")
    days = serializers.FloatField(help_text="Working days by which the job ends later.")
    phase_days = serializers.FloatField(help_text="By which the phase ends later.")
    float_days = serializers.FloatField(help_text="Working days of float eaten.")
    promise = serializers.CharField()
    happened_at = serializers.DateTimeField()
    found_at = serializers.DateTimeField()
    ended_at = serializers.DateTimeField(allow_null=True)
    ended_because = serializers.CharField(allow_null=True)
    pushed = PushShape(many=True)


class SlipList(OwnersList):
    """Slips, newest first."""

    query_class = SlipsQuery
    serializer_class = SlipShape

    @extend_schema(
        parameters=[SlipsQuery], responses=answers(SlipShape(many=True)), operation_id="slips_list"
    )
    @kept
    def get(self, request: Request) -> Response:
        """List slips with their causes and what they move."""
        rows = slips.slips().annotate(late_days=F("job_quarters") * 1.0 / F("day_quarters"))
        if "open" in self.query:
            rows = rows.filter(ended_at__isnull=self.query["open"])
        columns = {"job": "job__number", "phase": "phase__code", "cause": "cause"}
        given = {columns[name]: self.query[name] for name in columns if name in self.query}
        rows = rows.filter(**given)
        if "search" in self.query:
            rows = rows.filter(words_in_job(self.query["search"], "job__"))
        return self.answer(in_order(rows, self.query, ORDERS, "-id"))

    def show(self, page: list[Slip]) -> list[dict[str, Any]]:
        """Return the slips of a page as the list shows them."""
        return [_shown(slip) for slip in page]


def _shown(slip: Slip) -> dict[str, Any]:
    return {
        "id": slip.pk,
        "job": slip.job.number,
        "plan": slip.plan_id,
        "what": slip.what,
        "cause": slip.cause or None,
        "knock_on_of": slip.cause_job.number if slip.cause_job else None,
        "phase": slip.phase.code,
        "part": slip.phase.part,
        "days": round(slip.days, 2),
        "phase_days": round(slip.phase_days, 2),
        "float_days": round(slip.float_days, 2),
        "promise": slip.promise,
        "happened_at": slip.happened_at,
        "found_at": slip.found_at,
        "ended_at": slip.ended_at,
        "ended_because": slip.ended_because or None,
        "pushed": [
            {
                "phase": row["code"],
                "part": row.get("part", 1),
                "crew": row["crew_name"],
                "days": row["days"],
            }
            for row in slip.pushed
        ],
    }
