"""The firm as a whole: its backlog and its crews."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework.response import Response

from jobs.api.base import OwnersList, OwnersView
from jobs.api.kept import kept
from jobs.api.queries import CREW_ORDERS, CrewsQuery, in_order
from jobs.api.shapes import BacklogShape, CrewShape, answers
from jobs.selectors import plans
from jobs.selectors.backlog import CrewAhead, Work, backlog
from jobs.selectors.crew_load import active_crews, crew_loads

if TYPE_CHECKING:
    from rest_framework.request import Request

    from crews.models import Crew

DAYS_PLACES = 2
HOURS_PLACES = 1


class BacklogRead(OwnersView):
    """Signed work not yet done."""

    @extend_schema(responses=answers(BacklogShape), operation_id="backlog_read")
    @kept
    def get(self, request: Request) -> Response:
        """Show the backlog: jobs, labor hours, crew-days, value not earned, weeks of work."""
        now = timezone.now()
        found, plan = backlog(now=now), plans.published_plan()
        body = {
            "as_of": timezone.localdate(now),
            "plan": plan.pk if plan else None,
            **_work(found.total),
            "unbooked_crew_days": _rounded(found.unbooked_crew_days),
            "weeks": _rounded(found.weeks),
            "by_use": [{"use": name, **_work(part)} for name, part in found.by_use.items()],
            "by_foundation": [
                {"foundation": name, **_work(part)} for name, part in found.by_foundation.items()
            ],
            "by_crew": [_ahead(row) for row in found.by_crew],
        }
        return Response(BacklogShape(body).data)


class CrewList(OwnersList):
    """The crews and how full they are."""

    query_class = CrewsQuery
    serializer_class = CrewShape

    @extend_schema(
        parameters=[CrewsQuery], responses=answers(CrewShape(many=True)), operation_id="crews_list"
    )
    @kept
    def get(self, request: Request) -> Response:
        """List active crews with their load by week."""
        rows = active_crews()
        if "search" in self.query:
            rows = rows.filter(name__icontains=self.query["search"])
        return self.answer(in_order(rows, self.query, CREW_ORDERS, "name"))

    def show(self, page: list[Crew]) -> list[dict[str, Any]]:
        """Return the crews of a page with their load."""
        return [
            {
                "name": row.crew.name,
                "size": row.crew.size,
                "skills": sorted(row.crew.skills),
                "load": [asdict(week) for week in row.weeks],
                "comes_free_on": row.comes_free_on,
            }
            for row in crew_loads(page, now=timezone.now())
        ]


def _work(part: Work) -> dict[str, Any]:
    return {
        "jobs": part.jobs,
        "labor_hours": round(part.labor_hours, HOURS_PLACES),
        "crew_days": _rounded(part.crew_days),
        "not_earned_usd": part.not_earned_usd,
    }


def _ahead(row: CrewAhead) -> dict[str, Any]:
    return {
        "crew": row.crew.name,
        "crew_days": _rounded(row.crew_days),
        "work_days_a_week": _rounded(row.work_days_a_week),
        "weeks": _rounded(row.weeks),
        "comes_free_on": row.comes_free_on,
    }


def _rounded(number: float | None) -> float | None:
    return None if number is None else round(number, DAYS_PLACES)
