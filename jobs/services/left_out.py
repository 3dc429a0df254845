"""Finished work that teaches nothing is left out of learning, with the reason, and taken back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db import transaction

from contractor.trade.errors import Fault, SpecError
from jobs.models import LeftOutWork, Phase
from jobs.services.changes import columns_of, record_change

if TYPE_CHECKING:
    from datetime import datetime

    from django.contrib.auth.models import User

LONGEST_REASON = 200


@transaction.atomic
def leave_out(*, phase: Phase, reason: str, now: datetime, by: User | None = None) -> LeftOutWork:
    """
    Return the row that leaves a finished phase out; one that is there already stays as it is.

    Raises
    ------
    contractor.trade.errors.SpecError
        If no reason is given, or the phase is not done.
    """
    reason = reason.strip()
    faults = []
    if not 0 < len(reason) <= LONGEST_REASON:
        remedy = f"Enter up to {LONGEST_REASON} letters, like: taught two apprentices."
        faults.append(Fault("reason", reason[:LONGEST_REASON], "say why it is left out", remedy))
    if phase.status != Phase.Status.DONE:
        remedy = "Leave out finished work only."
        faults.append(Fault("phase", str(phase), "this is not done, so it teaches nothing", remedy))
    if faults:
        raise SpecError(faults)
    row, is_new = LeftOutWork.objects.get_or_create(
        phase=phase, defaults={"reason": reason, "at": now, "by": by}
    )
    if is_new:
        record_change(row=row, before=None, now=now, by=by)
    return row


@transaction.atomic
def take_back(*, phase: Phase, now: datetime, by: User | None = None) -> bool:
    """Let a phase teach again; return whether it was left out."""
    row = LeftOutWork.objects.filter(phase=phase).first()
    if row is None:
        return False
    record_change(row=row, before=columns_of(row), now=now, by=by, is_removed=True)
    row.delete()
    return True
