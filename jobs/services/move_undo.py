"""A move taken back: what it touched as it was, and what it moved where it was, if that can be."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from django.utils import timezone

from jobs.models import BoardMove, Booking, Phase
from jobs.selectors import board_version
from jobs.services import plan_making
from jobs.services.move_answer import MoveRefused
from jobs.services.move_follows import Hand, follows
from jobs.services.move_planning import Tried, refuse_if_broken
from jobs.services.move_touch import Touch, label

if TYPE_CHECKING:
    from django.contrib.auth.models import User

# What these moves set is a date that people are told with the next plan, not a fact.
SETS_DATES = (BoardMove.Kind.MOVE, BoardMove.Kind.SWAP)


def taken_back(row: BoardMove, *, now: datetime, by: User | None) -> Tried:
    """
    Return the plan without a move, after putting what it touched back as it was.

    Raises
    ------
    MoveRefused
        As `moves.undo_move`.
    """
    if row.undone_at is not None:
        at = timezone.localtime(row.undone_at)
        raise MoveRefused(f"it was undone on {at:%b %-d, %H:%M}", remedy="Nothing is to undo.")
    if row.kind in SETS_DATES:
        _refuse_if_published(row)
    if row.kind == BoardMove.Kind.SPLIT:
        _refuse_if_part_is_told(row)
    hand, version = Hand.at(now), board_version.version()
    touch = Touch(now=now, by=by)
    touch.take_back(row.touched)
    places = hand.places()
    for entry in row.moved:
        places[entry["phase"]] = entry["crew"], datetime.fromisoformat(entry["starts_at"])
    proposal = plan_making.repair(now=now, keep=places)
    refuse_if_broken(proposal, hand, touch)
    words = f"Undone: {row.words}"
    answer = follows(proposal, hand, words=words, notes=(), version=version)
    return Tried(proposal, answer, touch, hand)


def _refuse_if_published(row: BoardMove) -> None:
    """Refuse where people have been told the dates that the move set."""
    for entry in row.touched:
        phase = Phase.objects.select_related("job").filter(pk=entry["key"]).first()
        # A plan made since: the draft of the move, or one that came after it.
        booked = Booking.objects.filter(phase=phase, is_live=True, plan__gte=row.plan_id or 0)
        live = booked.select_related("plan").first()
        if phase and live and live.starts_at == phase.pinned_start_at:
            raise MoveRefused(
                f"{label(phase)} was published there with {live.plan}",
                remedy="Move it back instead, so that people are told.",
            )


def _refuse_if_part_is_told(row: BoardMove) -> None:
    """Refuse where people have been told of a part that the move made."""
    made = [
        entry["key"]
        for entry in row.touched
        if entry["kind"] == Phase._meta.label
        and entry["before"].get("status") == Phase.Status.DROPPED
    ]
    live = Booking.objects.filter(phase__in=made, is_live=True).select_related("phase__job", "plan")
    booking = live.first()
    if booking is not None:
        raise MoveRefused(
            f"{label(booking.phase)} was published with {booking.plan}",
            remedy="Put the parts together instead, so that people are told.",
        )
