"""The page of learning: what finished work has taught, and what is left out of it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.contrib import messages
from django.shortcuts import redirect

from contractor.trade.errors import SpecError
from jobs.admin.words import short_day
from jobs.models import Phase
from jobs.selectors.learning import learning
from jobs.services.left_out import LONGEST_REASON, leave_out, take_back

if TYPE_CHECKING:
    from datetime import datetime

    from django.http import HttpRequest, HttpResponse

    from jobs.selectors.learning import Drift, Learned

MOST_PIECES = 100
LARGEST_ID = 2**63 - 1


def learning_context(*, now: datetime) -> dict[str, Any]:
    """Return what the page shows."""
    found = learning(now=now)
    left_out = [piece for piece in found.pieces if piece.left_out_because]
    counted = [piece for piece in found.pieces if not piece.left_out_because]
    return {
        "phases": [_row(row) for row in found.phases],
        "crews": [_row(row) for row in found.crews],
        "drift": [
            _drift(row, row.drift) for row in (*found.phases, *found.crews) if row.drift is not None
        ],
        "pieces": [_piece(piece) for piece in counted[:MOST_PIECES]],
        "left_out": [_piece(piece) for piece in left_out],
        "counted": len(counted),
        "longest_reason": LONGEST_REASON,
    }


def answer(request: HttpRequest, *, now: datetime) -> HttpResponse:
    """Leave a phase out or take it back, as the form says, and go back to the page."""
    key = request.POST.get("phase", "")
    is_id = key.isascii() and key.isdigit() and int(key) <= LARGEST_ID
    phase = Phase.objects.select_related("job").filter(pk=int(key)).first() if is_id else None
    by: Any = request.user
    if phase is None:
        messages.error(request, "There is no such work. Choose it from the list.")
    elif "take_back" in request.POST:
        if take_back(phase=phase, now=now, by=by):
            messages.success(request, f"{phase}: it teaches again.")
    else:
        try:
            leave_out(phase=phase, reason=request.POST.get("reason", ""), now=now, by=by)
        except SpecError as error:
            messages.error(request, str(error))
        else:
            messages.success(request, f"{phase}: left out of learning.")
    return redirect("admin:jobs_laborrate_learning")


def _row(row: Learned) -> dict[str, Any]:
    return {
        "phase": row.phase,
        "crew": row.crew,
        "count": row.count,
        "factor": f"{row.factor:.2f}",
        "interval": f"{row.low:.2f} to {row.high:.2f}",
        "next": f"{row.next_low:.2f} to {row.next_high:.2f}",
    }


def _drift(row: Learned, drift: Drift) -> dict[str, Any]:
    return {
        "phase": row.phase,
        "crew": row.crew or "all crews",
        "before": f"{drift.before:.2f} ({drift.before_count})",
        "recent": f"{drift.recent:.2f} ({drift.recent_count})",
        "says": "hardly luck" if drift.is_hardly_luck else "may be luck",
    }


def _piece(piece: Any) -> dict[str, Any]:
    phase = piece.phase
    return {
        "pk": phase.pk,
        "what": str(phase),
        "crew": phase.crew.name,
        "done": short_day(phase.done_at),
        "planned": f"{phase.planned_hours:.1f}",
        "reported": f"{phase.reported_hours:.1f}",
        "factor": f"{piece.factor:.2f}",
        "because": piece.left_out_because,
    }
