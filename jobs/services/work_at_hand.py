"""What a move is tried on: the open work and the plan at hand, kept while nothing has changed."""

from __future__ import annotations

from threading import Lock
from typing import TYPE_CHECKING

from django.db import transaction

from jobs.selectors.open_work import open_work
from jobs.selectors.work_state import work_state
from jobs.services import plan_making
from jobs.services.move_follows import Hand
from jobs.services.move_kinds import quarter_after
from jobs.services.plan_basis import Basis

if TYPE_CHECKING:
    from datetime import datetime


class AtHand:
    """The plan at hand and, read when it is asked for, what plans are made of."""

    def __init__(self, hand: Hand, basis: Basis | None = None) -> None:
        self.hand = hand
        self._basis = basis

    @property
    def basis(self) -> Basis:
        """Return the open work of the same moment."""
        if self._basis is None:
            self._basis = plan_making.read(now=self.hand.now)
        return self._basis


_turn = Lock()
_kept: dict[tuple[str, datetime, bool], AtHand] = {}


def read(*, now: datetime) -> AtHand:
    """Return what is at hand, read anew."""
    return AtHand(Hand.at(now))


def read_or_kept(*, now: datetime) -> AtHand:
    """
    Return what is at hand, as it was read last where no row is another since.

    A try asks for it, and accepting never does. Plans count by quarter hours, so within one the
    same work gives the same plan. One is kept in a process, the newest.
    """
    found = _kept_whole(now)
    if found is None:
        return read(now=now)
    return AtHand(found.hand.again(now), found.basis)


def basis_read_or_kept(*, now: datetime) -> Basis:
    """Return what plans are made of to one who only reads: kept as above, else read anew."""
    found = _kept_whole(now)
    return Basis(open_work(now=now)) if found is None else found.basis


def _kept_whole(now: datetime) -> AtHand | None:
    """Return what is kept, read anew if need be; None where no state is known."""
    state = work_state()
    if state is None:
        return None
    key = state, quarter_after(now), quarter_after(now) == now
    with _turn:
        if key not in _kept:
            _kept.clear()
            # Read after the state was named: what is kept is never older than its name.
            _kept[key] = _read_whole(now)
        return _kept[key]


def _read_whole(now: datetime) -> AtHand:
    """Return all that is at hand. What reading brings in step is rolled back, as all of a try."""
    with transaction.atomic():
        found = AtHand(Hand.at(now), plan_making.read(now=now))
        transaction.set_rollback(True)
    return found
