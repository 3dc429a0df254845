"""Percent plan complete by week and crew."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.response import Response

from contractor.trade.ppc import monday_of, tally, weeks
from jobs.api.base import OwnersView, refused
from jobs.api.kept import kept
from jobs.api.queries import Query
from jobs.api.report_shapes import PpcShape
from jobs.api.shapes import answers
from jobs.selectors.ppc import LONGEST_WEEKS, booked_promises, latest_mondays

if TYPE_CHECKING:
    from rest_framework.request import Request

    from contractor.trade.ppc import Tally

USUAL_WEEKS = 12


class PpcQuery(Query):
    """Which weeks, and whose."""

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        """Return the parameters: from, to, crew."""
        return {
            "from": serializers.DateField(
                required=False, help_text="A day of the first week; usually eleven weeks back."
            ),
            "to": serializers.DateField(
                required=False, help_text="A day of the last week; usually this one."
            ),
            "crew": serializers.CharField(
                required=False, max_length=60, help_text="A crew's name."
            ),
        }


class PpcRead(OwnersView):
    """How many promises were kept."""

    query_class = PpcQuery

    @extend_schema(parameters=[PpcQuery], responses=answers(PpcShape), operation_id="ppc_read")
    @kept
    def get(self, request: Request) -> Response:
        """Show percent plan complete by week, of the firm and by crew, and why others missed."""
        now = timezone.now()
        first, last = latest_mondays(now=now, weeks=USUAL_WEEKS)
        last = monday_of(self.query.get("to", last))
        first = monday_of(self.query.get("from", last - timedelta(weeks=USUAL_WEEKS - 1)))
        if not timedelta(0) <= last - first < timedelta(weeks=LONGEST_WEEKS):
            remedy = f"Enter days of at most {LONGEST_WEEKS} weeks, the first one first."
            raise refused("from", first, f"this and {last} are not such weeks", remedy)
        booked = booked_promises(
            first_monday=first, last_monday=last, now=now, crew=self.query.get("crew", "")
        )
        today = timezone.localdate(now)
        promises = [row.promise for row in booked]
        body = {
            **tally_json(tally(row for row in promises if row.is_decided(today))),
            "weeks": [
                {
                    "week": f"{week.monday:%G-W%V}",
                    "monday": week.monday,
                    **tally_json(week.firm),
                    "crews": [
                        {"crew": crew, **tally_json(found)} for crew, found in week.crews.items()
                    ],
                }
                for week in weeks(promises, today=today)
            ],
        }
        return Response(PpcShape(body).data)


def tally_json(found: Tally) -> dict[str, Any]:
    """Return promises made and kept as the API shows them."""
    return {
        "promises": found.made,
        "kept": found.kept,
        "percent": None if found.percent is None else round(found.percent, 1),
        "causes": [{"cause": cause, "misses": misses} for cause, misses in found.causes],
    }
