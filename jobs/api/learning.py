"""What finished work has taught: factors of planned hours, their drift, and what they rest on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers

from jobs.api.base import OwnersList
from jobs.api.kept import kept
from jobs.api.queries import (
    Query,
    crew_field,
    crew_named,
    job_field,
    order_field,
    phase_field,
    sorted_by,
)
from jobs.api.shapes import Shape, answers
from jobs.selectors.forecasts import site_iso
from jobs.selectors.learning import learning

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rest_framework.request import Request
    from rest_framework.response import Response

    from jobs.selectors.learning import Drift, Learned, Piece

FACTOR_ORDERS = ("crew", "count", "factor")
WORK_ORDERS = ("job", "crew", "finished_at", "factor")
PLACES = 4


class LearningQuery(Query):
    """Which factors, and in which order."""

    phase = phase_field()
    crew = crew_field()
    all_crews = serializers.BooleanField(
        required=False,
        help_text="Only factors of all crews together, or only those of one crew; without it, all.",
    )
    search = serializers.CharField(
        required=False, max_length=80, help_text="In the phase's name and the crew's."
    )
    ordering = order_field(FACTOR_ORDERS)


class FinishedWorkQuery(Query):
    """Which finished work, and in which order."""

    job = job_field()
    phase = phase_field()
    crew = crew_field()
    left_out = serializers.BooleanField(
        required=False,
        help_text="Only what is left out, or only what counts; without it, all.",
    )
    ordering = order_field(WORK_ORDERS)


class DriftShape(Shape):
    """The mean factor of the last half year against that of the work before."""

    before = serializers.FloatField()
    before_count = serializers.IntegerField()
    recent = serializers.FloatField()
    recent_count = serializers.IntegerField()
    hardly_luck = serializers.BooleanField(
        help_text="More than 1.96 standard errors apart, which luck alone gives 1 time in 20."
    )


class LearnedShape(Shape):
    """A factor of planned hours: 1.1 means that work takes a tenth more than planned."""

    phase = serializers.CharField(help_text="Its code.")
    label = serializers.CharField()
    crew = serializers.CharField(allow_null=True, help_text="Null: all crews together.")
    count = serializers.IntegerField(help_text="How many finished phases stand behind it.")
    left_out = serializers.IntegerField(help_text="How many were left out of them.")
    factor = serializers.FloatField()
    low = serializers.FloatField(help_text="The usual factor lies above, 9 times in 10.")
    high = serializers.FloatField(help_text="And below, 9 times in 10.")
    next_low = serializers.FloatField(help_text="So does that of the next piece of work.")
    next_high = serializers.FloatField()
    drift = DriftShape(
        allow_null=True, help_text="Null with fewer than 4 in the last half year or before it."
    )


class FinishedWorkShape(Shape):
    """A finished phase with reported hours, and its factor."""

    id = serializers.IntegerField(help_text="Of the phase.")
    job = serializers.CharField()
    phase = serializers.CharField(help_text="Its code.")
    label = serializers.CharField()
    crew = serializers.CharField()
    finished_at = serializers.DateTimeField()
    labor_hours = serializers.FloatField(help_text="Hours of people, as planned.")
    reported_hours = serializers.FloatField(help_text="Hours of people, as reported.")
    factor = serializers.FloatField(help_text="Reported over planned, at the crew's pace.")
    left_out_because = serializers.CharField(allow_null=True, help_text="Null: it counts.")


class LearningList(OwnersList):
    """Factors by phase, and by phase and crew."""

    query_class = LearningQuery
    serializer_class = LearnedShape
    shows_json = True

    @extend_schema(
        parameters=[LearningQuery],
        responses=answers(LearnedShape(many=True)),
        operation_id="learning_list",
    )
    @kept
    def get(self, request: Request) -> Response:
        """List what finished work has taught, in build order, all crews before each."""
        query, found = _crew_checked(self.query), learning(now=timezone.now())
        rows = [_factor(row) for row in (*found.phases, *found.crews)]
        rows = _equal(rows, query, "phase", "crew")
        if "all_crews" in query:
            rows = [row for row in rows if (row["crew"] is None) == query["all_crews"]]
        if "search" in query:
            words = query["search"].casefold()
            rows = [row for row in rows if words in f"{row['label']} {row['crew']}".casefold()]
        return self.answer(sorted_by(rows, query))


class FinishedWorkList(OwnersList):
    """The finished work that factors rest on."""

    query_class = FinishedWorkQuery
    serializer_class = FinishedWorkShape
    shows_json = True

    @extend_schema(
        parameters=[FinishedWorkQuery],
        responses=answers(FinishedWorkShape(many=True)),
        operation_id="learning_work_list",
    )
    @kept
    def get(self, request: Request) -> Response:
        """List finished phases with reported hours, latest first, and which are left out."""
        query = _crew_checked(self.query)
        rows = [_work(piece) for piece in learning(now=timezone.now()).pieces]
        rows = _equal(rows, query, "job", "phase", "crew")
        if "left_out" in query:
            is_out = query["left_out"]
            rows = [row for row in rows if (row["left_out_because"] is not None) == is_out]
        return self.answer(sorted_by(rows, query))


def _crew_checked(query: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the parameters, after looking whether there is such a crew."""
    if "crew" in query:
        crew_named(query["crew"])
    return query


def _equal(
    rows: list[dict[str, Any]], query: Mapping[str, Any], *names: str
) -> list[dict[str, Any]]:
    """Return the rows that have what each of these parameters asks for."""
    asked = {name: query[name] for name in names if name in query}
    return [row for row in rows if all(row[name] == value for name, value in asked.items())]


def _factor(row: Learned) -> dict[str, Any]:
    edges = ("factor", "low", "high", "next_low", "next_high")
    return {
        "phase": row.code,
        "label": row.phase,
        "crew": row.crew or None,
        "count": row.count,
        "left_out": row.left_out,
        **{name: round(getattr(row, name), PLACES) for name in edges},
        "drift": row.drift and _drift(row.drift),
    }


def _drift(drift: Drift) -> dict[str, Any]:
    return {
        "before": round(drift.before, PLACES),
        "before_count": drift.before_count,
        "recent": round(drift.recent, PLACES),
        "recent_count": drift.recent_count,
        "hardly_luck": drift.is_hardly_luck,
    }


def _work(piece: Piece) -> dict[str, Any]:
    phase = piece.phase
    return {
        "id": phase.pk,
        "job": phase.job.number,
        "phase": phase.code,
        "label": phase.get_code_display(),
        "crew": phase.crew.name if phase.crew else None,
        "finished_at": site_iso(phase.done_at),
        "labor_hours": phase.planned_hours,
        "reported_hours": phase.reported_hours,
        "factor": round(piece.factor, PLACES),
        "left_out_because": piece.left_out_because or None,
    }
