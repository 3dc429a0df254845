"""Plans, what one changes against another, and the bookings of the published one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.db.models import Count, QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework.response import Response

from contractor.trade.phases import PHASE_TABLE
from jobs.api.base import OwnersList, OwnersView, missing, refused
from jobs.api.kept import kept
from jobs.api.plan_shapes import BookingShape, ComparisonShape, PlanDetailShape, PlanShape
from jobs.api.queries import (
    BOOKING_ORDERS,
    PLAN_ORDERS,
    BookingsQuery,
    ComparisonQuery,
    PlansQuery,
    crew_named,
    in_order,
    words_in_job,
)
from jobs.api.shapes import answers
from jobs.models import Booking, Plan
from jobs.selectors import plan_json, plans

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rest_framework.request import Request

    from contractor.engine.compare import Move, Row

CODE_OF_LABEL = {kind.label: kind.code for kind in PHASE_TABLE.values()}


class PlanList(OwnersList):
    """All plans: drafts, the published one, and those it replaced."""

    query_class = PlansQuery
    serializer_class = PlanShape

    @extend_schema(
        parameters=[PlansQuery], responses=answers(PlanShape(many=True)), operation_id="plans_list"
    )
    @kept
    def get(self, request: Request) -> Response:
        """List plans, newest first."""
        rows = Plan.objects.annotate(booked=Count("bookings"))
        if "status" in self.query:
            rows = rows.filter(status=self.query["status"])
        return self.answer(in_order(rows, self.query, PLAN_ORDERS, "-id"))

    def show(self, page: list[Plan]) -> list[dict[str, Any]]:
        """Return the plans of a page as the list shows them."""
        return [
            {
                "id": plan.pk,
                "status": plan.status,
                "as_of": plan.as_of,
                "made_at": plan.made_at,
                "published_at": plan.published_at,
                "source": plan.source,
                "seconds": plan.seconds,
                "total": plan.objective.get("total"),
                "bound": (plan.objective.get("bound") or {}).get("total"),
                "optimal": plan.objective.get("optimal", False),
                "iterations": plan.objective.get("iterations", 0),
                "gained": plan.gained,
                "bookings": plan.booked,  # type: ignore[attr-defined]
                "unplanned": len(plan.unplanned),
            }
            for plan in page
        ]


class PlanDetail(OwnersView):
    """One plan."""

    @extend_schema(responses=answers(PlanDetailShape, 404), operation_id="plans_read")
    @kept
    def get(self, request: Request, plan_id: int) -> Response:
        """Show a plan: its bookings, waits, phases without dates, and promises."""
        return Response(plan_json.plan_as_json(plan_or_404(plan_id)))


class PlanComparison(OwnersView):
    """What changes when one plan replaces another."""

    query_class = ComparisonQuery

    @extend_schema(
        parameters=[ComparisonQuery],
        responses=answers(ComparisonShape, 404),
        operation_id="plans_compare",
    )
    @kept
    def get(self, request: Request, plan_id: int) -> Response:
        """Compare a plan with another, or with the published one."""
        plan, against = plan_or_404(plan_id), self._against()
        found = plans.comparison(plan, against)
        body = {
            "plan": plan.pk,
            "against": against.pk if against else None,
            "moved": [move_json(move) for move in found.moved],
            "added": [_stretch(row) for row in found.added],
            "removed": [_stretch(row) for row in found.removed],
            "same": len(found.same),
            "promises": [_promise(change) for change in plans.promise_changes(plan, against)],
        }
        return Response(ComparisonShape(body).data)

    def _against(self) -> Plan | None:
        if "against" not in self.query:
            return plans.published_plan()
        number = self.query["against"]
        against = Plan.objects.filter(pk=number).first()
        if against is None:
            raise refused(
                "against",
                number,
                "there is no such plan",
                "Enter the id of a plan that /api/v1/plans/ lists, or leave it out.",
            )
        return against


class BookingList(OwnersList):
    """What is booked."""

    query_class = BookingsQuery
    serializer_class = BookingShape
    shows_json = True

    @extend_schema(
        parameters=[BookingsQuery],
        responses=answers(BookingShape(many=True)),
        operation_id="bookings_list",
    )
    @kept
    def get(self, request: Request) -> Response:
        """List the bookings of the published plan in order of time."""
        plan = plans.published_plan()
        rows = plan_json.booking_lines(plan) if plan else Booking.objects.none()
        return self.answer(_within(rows, self.query))

    def show(self, page: list[plan_json.BookingLine]) -> list[dict[str, Any]]:
        """Return the bookings of a page as plans list them."""
        return plan_json.bookings_as_json(page)


def plan_or_404(plan_id: int) -> Plan:
    """Return a plan by its number, or answer that there is none."""
    plan = Plan.objects.filter(pk=plan_id).first()
    if plan is None:
        raise missing("plan", plan_id, "/api/v1/plans/")
    return plan


def _within(rows: QuerySet[Booking], query: Mapping[str, Any]) -> QuerySet[Booking]:
    if "from" in query:
        rows = rows.filter(ends_at__date__gte=query["from"])
    if "to" in query:
        rows = rows.filter(starts_at__date__lte=query["to"])
    if "crew" in query:
        rows = rows.filter(crew=crew_named(query["crew"]))
    if "job" in query:
        rows = rows.filter(phase__job__number=query["job"])
    if "phase" in query:
        rows = rows.filter(phase__code=query["phase"])
    if "search" in query:
        rows = rows.filter(words_in_job(query["search"], "phase__job__"))
    return in_order(rows, query, BOOKING_ORDERS, "starts_at", "id")


def move_json(move: Move) -> dict[str, Any]:
    """Return a booking that moves as comparisons list it."""
    return {
        "job": move.job,
        **_phase_of(move.key, move.job),
        "old_crew": move.old_crew or None,
        "new_crew": move.new_crew or None,
        "old_start": move.old_start,
        "new_start": move.new_start,
        "old_finish": move.old_finish,
        "new_finish": move.new_finish,
        "days": move.days,
        "finish_days": move.finish_days,
    }


def _stretch(row: Row) -> dict[str, Any]:
    return {
        "job": row.job,
        **_phase_of(row.key, row.job),
        "crew": row.crew or None,
        "starts_at": row.start,
        "ends_at": row.finish,
    }


def _phase_of(key: str, job: str) -> dict[str, Any]:
    """Return the phase of a comparison's key: "26-041 Set posts", "26-041 Trim, part 2 of 2"."""
    label, _, part = key.removeprefix(f"{job} ").partition(", part ")
    return {"phase": CODE_OF_LABEL[label], "part": int(part.partition(" ")[0] or 1)}


def _promise(change: plans.PromiseChange) -> dict[str, Any]:
    return {
        "job": change.job.number,
        "promised": change.promised_on,
        "old_finish": change.old_finish_on,
        "new_finish": change.new_finish_on,
        "change": "lost -> kept" if change.is_kept else "kept -> lost",
    }
