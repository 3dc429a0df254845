"""Moves of the board that are undone, or were made of a board that has changed meanwhile."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import pytest
from django.contrib.auth.models import AbstractUser

from crews.models import Crew, DayOff
from jobs.models import BoardMove, LentPeople, Phase, Plan, SetAside
from jobs.selectors.board_version import version
from jobs.services import moves, publishing
from jobs.services.moves import (
    BlockDays,
    FreePhase,
    LendPeople,
    Move,
    MovePhase,
    MoveRefused,
    MoveStale,
    SetTimeAside,
    SwapCrews,
)
from tests.service.moving import accept, at, booked, day_of, phase, plan_at_hand_rows
from tests.service.portfolio import MONDAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


# --- undo ---------------------------------------------------------------------------------------


def facts() -> dict[str, list[Any]]:
    """Return what a plan is made from, as far as a move can write it."""
    return {
        "pins": list(Phase.objects.order_by("pk").values("pk", "pinned_crew", "pinned_start_at")),
        "lent": list(LentPeople.objects.values()),
        "aside": list(SetAside.objects.values()),
        "off": list(DayOff.objects.values()),
    }


@pytest.mark.parametrize("name", ["move", "swap", "lend", "aside", "block"])
def test_an_undone_move_leaves_the_facts_and_the_dates_of_before(
    crews: Sequence[Crew], name: str
) -> None:
    first, second = crews
    row = booked("FRAME")
    day = day_of(row.starts_at)
    made: dict[str, Move] = {
        "move": MovePhase(row.phase_id, None, day=date(2026, 6, 29)),
        "swap": SwapCrews(first.pk, second.pk, day, day + timedelta(days=4)),
        "lend": LendPeople(first.pk, second.pk, day, day + timedelta(days=9)),
        "aside": SetTimeAside(row.crew_id or 0, "SHOP", at(day, 7, 0), at(day, 15, 30)),
        "block": BlockDays(day, day, "Training", crew_id=row.crew_id),
    }
    before = facts()
    places = {r.phase_id: (r.crew_id, r.starts_at) for r in plan_at_hand_rows()}
    done = accept(made[name])
    assert facts() != before

    back = moves.undo_move(move_id=done.move.pk, now=MONDAY)

    assert facts() == before
    assert {r.phase_id: (r.crew_id, r.starts_at) for r in plan_at_hand_rows()} == places
    assert back.move.undone_at == MONDAY
    assert back.answer.words == f"Undone: {done.move.words}"


def test_a_freed_phase_is_pinned_again_by_undo(crews: Sequence[Crew]) -> None:
    walls = phase("WALLS")
    accept(MovePhase(walls.pk, None, day=date(2026, 6, 29)))
    pinned = phase("WALLS").pinned_start_at
    freed = accept(FreePhase(walls.pk))
    assert phase("WALLS").pinned_start_at is None
    assert booked("WALLS").starts_at == pinned  # the draft leaves it there
    assert booked("WALLS").because == "Kept where the draft had it"

    moves.undo_move(move_id=freed.move.pk, now=MONDAY)

    assert phase("WALLS").pinned_start_at == pinned


def test_a_move_is_undone_once(crews: Sequence[Crew]) -> None:
    done = accept(MovePhase(phase("ROOF").pk, None, day=date(2026, 6, 29)))
    moves.undo_move(move_id=done.move.pk, now=MONDAY)

    with pytest.raises(MoveRefused, match="it was undone on Jun 1"):
        moves.undo_move(move_id=done.move.pk, now=MONDAY)


def test_what_was_moved_again_since_is_not_undone(crews: Sequence[Crew]) -> None:
    first = accept(MovePhase(phase("ROOF").pk, None, day=date(2026, 6, 29)))
    accept(MovePhase(phase("ROOF").pk, None, day=date(2026, 7, 6)))

    with pytest.raises(MoveRefused, match="was changed since"):
        moves.undo_move(move_id=first.move.pk, now=MONDAY)

    assert BoardMove.objects.filter(undone_at=None).count() == 2


def test_what_people_were_told_is_not_undone(crews: Sequence[Crew]) -> None:
    done = accept(MovePhase(phase("ROOF").pk, None, day=date(2026, 6, 29)))
    assert done.move.plan is not None
    publishing.publish(plan_id=done.move.plan.pk, now=MONDAY)

    with pytest.raises(MoveRefused, match="was published there with Plan"):
        moves.undo_move(move_id=done.move.pk, now=MONDAY)


# --- stale --------------------------------------------------------------------------------------


def test_a_move_of_what_somebody_else_has_moved_is_refused_with_what_changed(
    crews: Sequence[Crew], office: AbstractUser
) -> None:
    seen = version()
    accept(MovePhase(phase("ROOF").pk, None, day=date(2026, 6, 29)), by=office)

    with pytest.raises(MoveStale) as stale:
        moves.try_move(
            move=MovePhase(phase("ROOF").pk, None, day=date(2026, 7, 6)), now=MONDAY, seen=seen
        )

    told = [text for text in stale.value.changed if "office" in text and "pinned start" in text]
    assert any("Mon Jun 29" in text for text in told), stale.value.changed
    assert any(
        text.startswith("roof steel of 26-001 is on Mon Jun 29") for text in stale.value.changed
    )
    assert stale.value.version == version() != seen


def test_a_move_that_has_nothing_to_do_with_the_change_goes_on(crews: Sequence[Crew]) -> None:
    seen = version()
    accept(MovePhase(phase("ROOF").pk, crews[0].pk, day=date(2026, 6, 29)))

    moves.try_move(
        move=MovePhase(phase("ROOF", "26-002").pk, crews[1].pk, day=date(2026, 7, 20)),
        now=MONDAY,
        seen=seen,
    )


def test_a_crew_blocked_by_somebody_else_makes_a_move_to_it_stale(crews: Sequence[Crew]) -> None:
    seen = version()
    accept(BlockDays(date(2026, 7, 20), date(2026, 7, 20), "Training", crew_id=crews[0].pk))

    with pytest.raises(MoveStale, match="Training"):
        moves.try_move(
            move=MovePhase(phase("ROOF").pk, crews[0].pk, day=date(2026, 7, 20)),
            now=MONDAY,
            seen=seen,
        )


def test_what_was_not_shown_is_not_accepted(crews: Sequence[Crew]) -> None:
    move = MovePhase(phase("ROOF").pk, None, day=date(2026, 6, 29))
    answer = moves.try_move(move=move, now=MONDAY)

    with pytest.raises(MoveStale, match="another by now"):
        moves.accept_move(move=move, now=MONDAY, seen=answer.version, shown="something else")

    assert not BoardMove.objects.exists()
    assert Plan.objects.filter(status="DRAFT").count() == 0
