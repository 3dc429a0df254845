"""Moves of the board: tried, accepted, undone. Each is one POST and one call of a service."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.contrib import messages
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_POST

from crews.selectors import NoFirm
from jobs import tasks
from jobs.board.forms import KINDS, MoveForm, SplitFirst, ToCrewAndDay, form_of
from jobs.board.views import answered
from jobs.desk.base import CHANGE, office_page
from jobs.services import moves, planning

if TYPE_CHECKING:
    from django.http import HttpRequest, HttpResponse

TO_A_DAY = (ToCrewAndDay.kind, SplitFirst.kind)
NOT_OF_THE_MOVE = {"csrfmiddlewaretoken", "seen", "shown"}
NO_PLAN = (planning.TooFarAheadError, planning.PlanUnsoundError, NoFirm)
CONFLICT, UNPROCESSABLE = 409, 422


@office_page(CHANGE)
@require_POST
def try_it(request: HttpRequest) -> HttpResponse:
    """Answer what would follow from a move; nothing is saved."""
    form = _form(request)
    if form is None or not form.is_valid():
        return _incomplete(request, form)
    seen = request.POST.get("seen", "")
    try:
        answer = moves.try_move(move=form.move(), now=timezone.now(), seen=seen, by=_by(request))
    except moves.MoveRefused as refusal:
        return _refused(request, refusal)
    except moves.MoveStale as stale:
        return _stale(request, stale)
    except NO_PLAN as fault:
        return answered(request, "refused", status=UNPROCESSABLE, fault=str(fault))
    return answered(request, "answer", answer=answer, fields=_fields(request))


@office_page(CHANGE)
@require_POST
def accept(request: HttpRequest) -> HttpResponse:
    """Store a move as it was shown, or say what has changed meanwhile."""
    form = _form(request)
    if form is None or not form.is_valid():
        return _incomplete(request, form)
    try:
        done = moves.accept_move(
            move=form.move(),
            now=timezone.now(),
            seen=request.POST.get("seen", ""),
            shown=request.POST.get("shown", ""),
            by=_by(request),
        )
    except moves.MoveRefused as refusal:
        return _refused(request, refusal)
    except moves.MoveStale as stale:
        return _stale(request, stale)
    except NO_PLAN as fault:
        return answered(request, "refused", status=UNPROCESSABLE, fault=str(fault))
    return _done(request, done, f"Accepted: {done.move.words}.")


@office_page(CHANGE)
@require_POST
def undo(request: HttpRequest, move_id: int) -> HttpResponse:
    """Take an accepted move back."""
    try:
        done = moves.undo_move(move_id=move_id, now=timezone.now(), by=_by(request))
    except moves.MoveRefused as refusal:
        return answered(request, "refused", status=CONFLICT, fault=str(refusal))
    except moves.MoveStale as stale:
        return answered(request, "refused", status=CONFLICT, fault=str(stale))
    except NO_PLAN as fault:
        return answered(request, "refused", status=UNPROCESSABLE, fault=str(fault))
    return _done(request, done, f"Undone: {done.move.words}.")


def _done(request: HttpRequest, done: moves.Accepted, words: str) -> HttpResponse:
    tasks.enqueue_plan(plan_request_id=done.request.pk)
    if not request.headers.get("HX-Request"):
        messages.success(request, words)
        return redirect("board:index")
    response = answered(request, "done", done=done, words=words)
    response["HX-Trigger"] = "board-changed"
    return response


def _form(request: HttpRequest) -> MoveForm | None:
    kind = request.POST.get("kind", "")
    return form_of(kind, request.POST) if kind in KINDS else None


def _fields(request: HttpRequest) -> list[tuple[str, str]]:
    """Return what was entered, to be sent again with the answer."""
    return [
        (name, str(value)) for name, value in request.POST.items() if name not in NOT_OF_THE_MOVE
    ]


def _incomplete(request: HttpRequest, form: MoveForm | None) -> HttpResponse:
    if form is None:
        fault = "This kind of move is not known. Open the board again."
        return answered(request, "refused", status=UNPROCESSABLE, fault=fault)
    return answered(request, "incomplete", status=UNPROCESSABLE, form=form)


def _refused(request: HttpRequest, refusal: moves.MoveRefused) -> HttpResponse:
    """Say the rule, and offer the nearest start that works as the same move."""
    context: dict[str, Any] = {"fault": str(refusal), "refusal": refusal}
    if refusal.nearest_start_at is not None and request.POST.get("kind") in TO_A_DAY:
        nearest = timezone.localtime(refusal.nearest_start_at)
        crew = refusal.nearest_crew_id or request.POST.get("crew", "")
        other = {"crew": str(crew), "day": nearest.date().isoformat(), "at": f"{nearest:%H:%M}"}
        context["nearest"] = nearest
        context["fields"] = [*(dict(_fields(request)) | other).items()]
    return answered(request, "refused", status=UNPROCESSABLE, **context)


def _stale(request: HttpRequest, stale: moves.MoveStale) -> HttpResponse:
    return answered(request, "stale", status=CONFLICT, stale=stale, fields=_fields(request))


def _by(request: HttpRequest) -> Any:
    return request.user
