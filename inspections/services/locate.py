"""Locate tickets as they are called, renewed and answered."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from contractor.trade import locate
from inspections.models import LocateTicket, TicketResponse
from inspections.selectors.locate import business_days, locate_rules
from jobs.models import Job

if TYPE_CHECKING:
    from datetime import date, datetime


def call(
    *,
    job_id: int,
    number: str,
    called_at: datetime,
    called_by: str = "",
    dig_from: date | None = None,
    expires_on: date | None = None,
    renewed_from: LocateTicket | None = None,
    private_lines: str = "",
) -> LocateTicket:
    """
    Store a ticket that was called, and return it.

    Days that the call center did not tell are reckoned by the state's rule.

    Raises
    ------
    django.core.exceptions.ValidationError
        If the days are not in order, the number is taken, or no rule is known for the state.
    """
    job = Job.objects.get(pk=job_id)
    local = timezone.localtime(called_at)
    reckoned = _reckoned(job.site_state, local)
    ticket = LocateTicket(
        job=job,
        number=number,
        called_on=local.date(),
        called_by=called_by,
        dig_from=dig_from or reckoned.earliest_dig,
        expires_on=expires_on or reckoned.expires_on,
        renewed_from=renewed_from,
        private_lines=private_lines,
    )
    ticket.full_clean()
    ticket.save()
    return ticket


def _reckoned(state: str, local: datetime) -> locate.TicketClock:
    rule = locate_rules().get(state)
    if rule is None:
        raise ValidationError(
            f"site_state {state}: no locate rule is known for it. Enter one under Locate rules."
        )
    return locate.ticket_clock(locate.call_date(local, rule), rule, business_days(state))


def renew(*, ticket_id: int, number: str, called_at: datetime, called_by: str = "") -> LocateTicket:
    """Store the ticket that follows another, with what the owner told of private lines."""
    old = LocateTicket.objects.get(pk=ticket_id)
    return call(
        job_id=old.job_id,
        number=number,
        called_at=called_at,
        called_by=called_by,
        renewed_from=old,
        private_lines=old.private_lines,
    )


def answer(*, ticket_id: int, utility: str, told: str, now: datetime) -> TicketResponse:
    """Store what a utility answered, in place of what it answered before."""
    with transaction.atomic():
        row = (
            TicketResponse.objects.select_for_update()
            .filter(ticket=ticket_id, utility=utility)
            .first()
        ) or TicketResponse(ticket_id=ticket_id, utility=utility)
        row.answer = told
        row.viewed_at = now
        row.full_clean()
        row.save()
        return row
