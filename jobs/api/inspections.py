"""The inspection desk as the API shows it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers

from inspections.selectors.desk import desk
from inspections.selectors.desk_rows import DeskRow, DeskState
from jobs.api.base import OwnersList
from jobs.api.kept import kept
from jobs.api.queries import Query
from jobs.api.shapes import answers

if TYPE_CHECKING:
    from rest_framework.request import Request
    from rest_framework.response import Response

STATES = [
    (DeskState.TO_ASK.value, "to be asked for before the office is next at its desk"),
    (DeskState.OVERDUE.value, "asked and not answered, or its time passed without a result"),
    (DeskState.BOOKED.value, "asked for or confirmed"),
    (DeskState.COMING.value, "to be asked for within the week"),
]


class InspectionsQuery(Query):
    """Which inspections of the desk."""

    state = serializers.ChoiceField(choices=STATES, required=False)


class InspectionShape(serializers.Serializer[Any]):
    """One inspection of the desk."""

    state = serializers.ChoiceField(choices=STATES)
    job = serializers.CharField()
    inspection = serializers.CharField(help_text="The phase's code.")
    authority = serializers.CharField()
    permit = serializers.CharField(allow_blank=True)
    visit_from = serializers.DateTimeField(allow_null=True)
    visit_until = serializers.DateTimeField(allow_null=True)
    visit = serializers.CharField(
        allow_null=True, help_text="Status of the visit that is asked for; null before that."
    )
    ask_from = serializers.DateTimeField(
        allow_null=True, help_text="The first moment at which the authority takes the request."
    )
    ask_by = serializers.DateTimeField(
        allow_null=True, help_text="The last moment to ask for the visit that the plan counts on."
    )
    ask = serializers.CharField(help_text="How to ask.")
    say = serializers.CharField(help_text="What to say.")
    fee = serializers.CharField(allow_blank=True)
    last = serializers.CharField(allow_blank=True, help_text="What came of the visit before.")
    warning = serializers.CharField(allow_blank=True, help_text="What does not fit.")


class InspectionList(OwnersList):
    """What the inspection desk shows."""

    query_class = InspectionsQuery
    serializer_class = InspectionShape

    @extend_schema(
        parameters=[InspectionsQuery],
        responses=answers(InspectionShape(many=True)),
        operation_id="inspections_list",
    )
    @kept
    def get(self, request: Request) -> Response:
        """List inspections to ask for, booked or overdue, what presses most first."""
        state = self.query.get("state")
        rows = [row for row in desk(now=timezone.now()).rows() if state in (None, row.state)]
        return self.answer(rows)

    def show(self, page: list[DeskRow]) -> list[dict[str, Any]]:
        """Return the rows of a page in the site's own time."""
        return [_shown(row) for row in page]


def _shown(row: DeskRow) -> dict[str, Any]:
    return {
        "state": row.state.value,
        "job": row.job.number,
        "inspection": row.phase.code,
        "authority": row.authority.name,
        "permit": row.job.permit.number,
        "visit_from": row.visit_from,
        "visit_until": row.visit_until,
        "visit": row.visit.status if row.visit else None,
        "ask_from": row.ask_from,
        "ask_by": row.ask_by,
        "ask": row.how,
        "say": row.say,
        "fee": row.fee,
        "last": row.last,
        "warning": row.warning,
    }
