"""Leave finished work out of what forecasts learn from, with a reason, and take it in again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.core.exceptions import ValidationError

from jobs.models import LeftOutWork, Phase

if TYPE_CHECKING:
    from datetime import datetime

    from django.contrib.auth.models import User


def leave_out(*, phase: Phase, reason: str, now: datetime, by: User | None = None) -> LeftOutWork:
    """
    Return the note that a finished phase teaches nothing; a second one takes the first's place.

    Nothing else about the phase changes. Raises ValidationError for a phase that is not done and
    for an empty reason.
    """
    if phase.status != Phase.Status.DONE:
        raise ValidationError(
            {"phase": f"{phase} is not done, so it teaches nothing yet. Choose a finished phase."}
        )
    row = LeftOutWork.objects.filter(phase=phase).first() or LeftOutWork(phase=phase)
    row.reason, row.at, row.by = reason.strip(), now, by
    row.full_clean()
    row.save()
    return row


def take_in_again(*, phase: Phase) -> bool:
    """Let a phase teach again; return whether it was left out."""
    return LeftOutWork.objects.filter(phase=phase).delete()[0] > 0
