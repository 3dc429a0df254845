"""What is waited for: holds, locate tickets, deliveries."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.response import Response

from contractor.trade.lead_times import RESERVE_DAYS
from inspections.selectors.locate import TicketWarning, ticket_warnings
from jobs.api.base import OwnersList, OwnersView
from jobs.api.hold_shapes import CallAheadShape, HoldShape, TicketWarningShape
from jobs.api.kept import kept
from jobs.api.queries import Query
from jobs.api.shapes import answers
from jobs.selectors.call_ahead import CallAheadLine, call_ahead
from jobs.selectors.hold_facts import HoldKind
from jobs.selectors.holds import ShownHold, holds

if TYPE_CHECKING:
    from rest_framework.request import Request


class HoldsQuery(Query):
    """Which holds."""

    kind = serializers.ChoiceField(choices=[kind.value for kind in HoldKind], required=False)
    job = serializers.CharField(required=False, max_length=20, help_text="A job's number.")
    cleared = serializers.BooleanField(
        required=False, help_text="With those that are cleared; without it, open ones only."
    )


class HoldList(OwnersList):
    """What phases of open jobs wait for, the dearest first."""

    query_class = HoldsQuery
    serializer_class = HoldShape

    @extend_schema(
        parameters=[HoldsQuery], responses=answers(HoldShape(many=True)), operation_id="holds_list"
    )
    @kept
    def get(self, request: Request) -> Response:
        """List holds: what, since when, who can clear it, what a day of it costs."""
        kind, job = self.query.get("kind"), self.query.get("job")
        found = holds(now=timezone.now(), cleared=self.query.get("cleared", False))
        return self.answer(
            [
                hold
                for hold in found
                if kind in (None, hold.fact.kind.value) and job in (None, hold.job.number)
            ]
        )

    def show(self, page: list[ShownHold]) -> list[dict[str, Any]]:
        """Return the holds of a page."""
        return [hold_body(hold) for hold in page]


class TicketWarningList(OwnersList):
    """Digs that their locate tickets will not cover, the soonest call first."""

    serializer_class = TicketWarningShape

    @extend_schema(
        responses=answers(TicketWarningShape(many=True)), operation_id="ticket_warnings_list"
    )
    @kept
    def get(self, request: Request) -> Response:
        """List what is wrong with digs and their tickets, with the last day to call."""
        return self.answer(ticket_warnings(now=timezone.now()))

    def show(self, page: list[TicketWarning]) -> list[dict[str, Any]]:
        """Return the warnings of a page."""
        return [warning_body(warning) for warning in page]


class CallAheadRead(OwnersView):
    """The week's calls to suppliers."""

    @extend_schema(responses=answers(CallAheadShape), operation_id="call_ahead_read")
    @kept
    def get(self, request: Request) -> Response:
        """Show which deliveries to confirm and to order within seven days, late ones first."""
        found = call_ahead(now=timezone.now())
        body = {
            "plan": found.plan.pk if found.plan else None,
            "reserve_days": RESERVE_DAYS,
            "to_confirm": [_call(line) for line in found.to_confirm],
            "to_order": [_call(line) for line in found.to_order],
        }
        return Response(CallAheadShape(body).data)


def hold_body(hold: ShownHold) -> dict[str, Any]:
    """Return a hold as the API shows it."""
    fact, cost = hold.fact, hold.cost
    return {
        "job": hold.job.number,
        "phase": fact.phase_code,
        "kind": fact.kind.value,
        "what": fact.what,
        "since": fact.since,
        "expected_on": fact.expected_on,
        "cleared_on": fact.cleared_on,
        "clears": fact.clears.value,
        "who": fact.who,
        "cost": {**asdict(cost), "weighted_days": cost.weighted_days} if cost else None,
    }


def warning_body(warning: TicketWarning) -> dict[str, Any]:
    """Return a warning as the API shows it."""
    return {
        "job": warning.job.number,
        "kind": warning.kind.value,
        "ticket": warning.ticket.number if warning.ticket else None,
        "plan": warning.plan.pk if warning.plan else None,
        "call_by": warning.call_by,
        "words": warning.words,
    }


def _call(line: CallAheadLine) -> dict[str, Any]:
    row = line.delivery
    return {
        "job": row.job.number,
        "item": row.item,
        "supplier": row.supplier,
        "quantity": row.quantity,
        "phase": line.phase_code,
        "standing": line.standing.value,
        "promised_on": row.promised_on,
        "confirmed_on": row.confirmed_on,
        "arrived_on": row.arrived_on,
        "shortage": row.shortage,
        "due_on": line.due_on,
        "why": line.why,
        "lead_days": line.lead_days,
        "needed_by": line.needed_by,
        "order_by": line.order_by,
        "days_late": line.days_late,
    }
