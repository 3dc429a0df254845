"""
Moves of the board: try one, accept it, undo it.

A move is written, planned with and looked at in one transaction, which is rolled back unless the
move is accepted. So what is shown before is what is stored after, found by the same code. A try may
stand on rows that were read for the try before it, where none is another since; what is accepted
stands on rows read after everybody else was kept out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db import transaction

from jobs.models import BoardMove
from jobs.selectors import board_version
from jobs.services import planning, work_at_hand
from jobs.services.move_answer import (
    Accepted,
    JobFinish,
    MoveAnswer,
    MovedPhase,
    MoveRefused,
    MoveStale,
)
from jobs.services.move_kinds import FreePhase, Move, MovePhase, SplitPhase
from jobs.services.move_planning import Tried, nearest_of, planned
from jobs.services.move_spans import BlockDays, LendPeople, SetTimeAside, SwapCrews
from jobs.services.move_split import JoinParts, SplitAhead
from jobs.services.move_touch import Touch
from jobs.services.move_undo import taken_back
from jobs.services.pinning import one_at_a_time

if TYPE_CHECKING:
    from datetime import datetime

    from django.contrib.auth.models import User

    from jobs.services.work_at_hand import AtHand

__all__ = [
    "Accepted",
    "BlockDays",
    "FreePhase",
    "JobFinish",
    "JoinParts",
    "LendPeople",
    "Move",
    "MoveAnswer",
    "MovePhase",
    "MoveRefused",
    "MoveStale",
    "MovedPhase",
    "SetTimeAside",
    "SplitAhead",
    "SplitPhase",
    "SwapCrews",
    "accept_move",
    "try_move",
    "undo_move",
]

LONGEST_WORDS = 300


def try_move(*, move: Move, now: datetime, seen: str = "", by: User | None = None) -> MoveAnswer:
    """
    Return what would follow from a move; nothing is stored.

    `seen` is the version of the board it was made on (`jobs.selectors.board_version.version`).

    Raises
    ------
    MoveRefused
        With the rule it breaks and the nearest start that works.
    MoveStale
        If what the move is about has changed since `seen`.
    """
    at_hand = work_at_hand.read_or_kept(now=now)
    with transaction.atomic():
        tried = _tried(move, at_hand, now=now, seen=seen, by=by)
        transaction.set_rollback(True)
    return tried.answer


def accept_move(
    *, move: Move, now: datetime, seen: str, shown: str = "", by: User | None = None
) -> Accepted:
    """
    Store a move and the draft that it makes, all or nothing; the door enqueues `request`.

    `seen` and `shown` are `version` and `digest` of the answer that was accepted. Raises as
    `try_move`, and MoveStale also where what follows is no longer what was shown.
    """
    with transaction.atomic():
        one_at_a_time()
        tried = _tried(move, work_at_hand.read(now=now), now=now, seen=seen, by=by)
        if shown and shown != tried.answer.digest:
            raise MoveStale(("what follows from the move is another by now",), tried.answer.version)
        return _stored(tried, kind=move.record_kind, now=now, by=by)


def undo_move(*, move_id: int, now: datetime, by: User | None = None) -> Accepted:
    """
    Take an accepted move back, and store the draft without it.

    Raises
    ------
    MoveRefused
        If it is undone already, if something it touched was changed since, or if a phase was
        published where the move put it; the text says what to do.
    """
    with transaction.atomic():
        one_at_a_time()
        row = BoardMove.objects.select_for_update(of=("self",)).filter(pk=move_id).first()
        if row is None:
            raise MoveRefused(f"there is no move {move_id}", remedy="Look at the board again.")
        tried = taken_back(row, now=now, by=by)
        row.undone_at, row.undone_by = now, by
        row.save(update_fields=["undone_at", "undone_by"])
        request = planning.adopt(tried.proposal, reason=tried.answer.words, now=now, by=by)
        return Accepted(row, tried.answer, request)


def _tried(move: Move, at_hand: AtHand, *, now: datetime, seen: str, by: User | None) -> Tried:
    """Return a move with its plan, written in the transaction that is open."""
    changed = board_version.changed_since(seen, move.scope())
    if changed:
        raise MoveStale(changed, board_version.version())
    version = board_version.version()
    try:
        with transaction.atomic():
            return planned(move, Touch(now=now, by=by), at_hand, version=version)
    except MoveRefused as refused:
        raise nearest_of(move, refused, at_hand, now=now) from refused


def _stored(tried: Tried, *, kind: BoardMove.Kind, now: datetime, by: User | None) -> Accepted:
    words = tried.answer.words[:LONGEST_WORDS]
    request = planning.adopt(tried.proposal, reason=words, now=now, by=by)
    row = BoardMove.objects.create(
        kind=kind,
        words=words,
        made_at=now,
        by=by,
        touched=tried.touch.rows,
        moved=[
            {
                "phase": phase.phase_id,
                "crew": tried.hand.crew_id_of(phase.phase_id),
                "starts_at": phase.old_starts_at.isoformat(),
            }
            for phase in tried.answer.phases
            if phase.old_starts_at is not None
        ],
        plan=request.base,
    )
    return Accepted(row, tried.answer, request)
