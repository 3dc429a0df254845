"""Moves of the board: try one, accept it, undo it. Nothing is saved until it is accepted."""

from __future__ import annotations

from typing import TYPE_CHECKING

from jobs.services.move_answer import (
    Accepted,
    JobFinish,
    MoveAnswer,
    MovedPhase,
    MoveRefused,
    MoveStale,
)
from jobs.services.move_kinds import (
    BlockDays,
    FreePhase,
    LendPeople,
    Move,
    MovePhase,
    SetTimeAside,
    SplitPhase,
    SwapCrews,
)

if TYPE_CHECKING:
    from datetime import datetime

    from django.contrib.auth.models import User

__all__ = [
    "Accepted",
    "BlockDays",
    "FreePhase",
    "JobFinish",
    "LendPeople",
    "Move",
    "MoveAnswer",
    "MovePhase",
    "MoveRefused",
    "MoveStale",
    "MovedPhase",
    "SetTimeAside",
    "SplitPhase",
    "SwapCrews",
    "accept_move",
    "try_move",
    "undo_move",
]


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
    raise NotImplementedError


def accept_move(
    *, move: Move, now: datetime, seen: str, shown: str = "", by: User | None = None
) -> Accepted:
    """
    Store a move and the draft that it makes, all or nothing; the door enqueues `request`.

    `seen` and `shown` are `version` and `digest` of the answer that was accepted. Raises as
    `try_move`, and MoveStale also where what follows is no longer what was shown.
    """
    raise NotImplementedError


def undo_move(*, move_id: int, now: datetime, by: User | None = None) -> Accepted:
    """
    Take an accepted move back, and store the draft without it.

    Raises
    ------
    MoveRefused
        If it is undone already, if something it touched was changed since, or if a phase was
        published where the move put it; the text says what to do.
    """
    raise NotImplementedError
