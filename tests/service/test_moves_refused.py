"""Moves of the board that are refused, with a date that works."""

from collections.abc import Sequence
from datetime import date, timedelta

import pytest

from crews.models import Crew, DayOff
from jobs.models import LentPeople, Phase
from jobs.services import moves, planning
from jobs.services.moves import (
    BlockDays,
    FreePhase,
    LendPeople,
    Move,
    MovePhase,
    SetTimeAside,
    SplitPhase,
    SwapCrews,
)
from tests.factories import DayOffFactory
from tests.service.moving import accept, at, booked, day_of, phase, refusal
from tests.service.portfolio import MONDAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]

SATURDAY = date(2026, 6, 13)


def works(move: Move) -> None:
    """The date that a refusal names is tried as a move of its own."""
    moves.try_move(move=move, now=MONDAY)


def test_before_its_wait_a_phase_is_refused_with_the_first_date_after(
    crews: Sequence[Crew],
) -> None:
    posts = phase("POSTS")

    refused = refusal(MovePhase(posts.pk, None, starts_at=MONDAY + timedelta(hours=4)))

    assert refused.nearest_start_at is not None
    assert refused.nearest_start_at > MONDAY + timedelta(hours=4)
    works(MovePhase(posts.pk, None, starts_at=refused.nearest_start_at))
    sooner = refused.nearest_start_at - timedelta(minutes=15)
    assert refusal(MovePhase(posts.pk, None, starts_at=sooner))


def test_on_a_saturday_it_is_refused_with_monday(crews: Sequence[Crew]) -> None:
    layout = phase("LAYOUT")

    refused = refusal(MovePhase(layout.pk, crews[0].pk, day=SATURDAY))

    assert "outside working time" in refused.rule
    assert refused.nearest_start_at == at(SATURDAY + timedelta(days=2))
    works(MovePhase(layout.pk, crews[0].pk, starts_at=refused.nearest_start_at))


def test_on_a_crews_day_off_it_is_refused_with_the_day_after(crews: Sequence[Crew]) -> None:
    DayOffFactory(crew=crews[0], first_day=date(2026, 6, 10), last_day=date(2026, 6, 11))
    layout = phase("LAYOUT")

    refused = refusal(MovePhase(layout.pk, crews[0].pk, day=date(2026, 6, 10)))

    assert refused.nearest_start_at == at(date(2026, 6, 12))
    works(MovePhase(layout.pk, crews[0].pk, starts_at=refused.nearest_start_at))


def test_in_the_past_it_is_refused_with_the_first_moment_from_now(crews: Sequence[Crew]) -> None:
    layout = phase("LAYOUT")

    refused = refusal(MovePhase(layout.pk, None, day=date(2026, 5, 27)))

    assert "lies in the past" in refused.rule
    assert refused.nearest_start_at == at(MONDAY.date())
    works(MovePhase(layout.pk, None, starts_at=refused.nearest_start_at))


def test_on_a_crew_that_cannot_do_it_the_crew_that_can_is_named(crews: Sequence[Crew]) -> None:
    Crew.objects.filter(pk=crews[0].pk).update(skills=["LAYOUT"])
    roof = phase("ROOF")

    refused = refusal(MovePhase(roof.pk, crews[0].pk, day=date(2026, 6, 29)))

    lacks = "not entered as a skill of the crew: steel"
    assert refused.rule == f"{crews[0].name} cannot do it ({lacks})"
    assert (refused.nearest_crew_id, refused.nearest_crew) == (crews[1].pk, crews[1].name)
    assert refused.nearest_start_at is not None
    works(MovePhase(roof.pk, crews[1].pk, starts_at=refused.nearest_start_at))


def test_where_the_crew_is_pinned_to_other_work_it_is_refused_with_the_time_after(
    crews: Sequence[Crew],
) -> None:
    day = date(2026, 6, 29)
    accept(MovePhase(phase("ROOF").pk, crews[0].pk, day=day))
    done = booked("ROOF")
    other = phase("ROOF", "26-002")

    refused = refusal(MovePhase(other.pk, crews[0].pk, day=day))

    assert refused.rule == "the crew is on roof steel of 26-001 then"
    assert refused.nearest_start_at == done.ends_at
    works(MovePhase(other.pk, crews[0].pk, starts_at=refused.nearest_start_at))


def test_behind_the_pin_of_its_own_follower_it_is_refused_with_where_it_is(
    crews: Sequence[Crew],
) -> None:
    frame = booked("FRAME")
    roof = phase("ROOF")
    accept(MovePhase(roof.pk, None, starts_at=booked("ROOF").starts_at))

    refused = refusal(MovePhase(frame.phase_id, None, day=date(2026, 7, 6)))

    assert "roof steel of 26-001 is pinned and would have to move" in refused.rule
    assert refused.nearest_start_at == frame.starts_at
    works(MovePhase(frame.phase_id, None, starts_at=refused.nearest_start_at))


def test_outside_the_locate_ticket_it_is_refused(crews: Sequence[Crew]) -> None:
    refused = refusal(MovePhase(phase("DIG").pk, None, starts_at=at(date(2026, 5, 29))))

    assert refused.nearest_start_at is not None
    works(MovePhase(phase("DIG").pk, None, starts_at=refused.nearest_start_at))


def test_work_that_has_begun_is_refused_and_told_what_to_do(crews: Sequence[Crew]) -> None:
    Phase.objects.filter(code="LAYOUT", job__number="26-001").update(
        status="UNDER_WAY", started_at=MONDAY, crew=crews[0]
    )

    refused = refusal(MovePhase(phase("LAYOUT").pk, None, day=date(2026, 6, 10)))

    assert refused.rule == "layout of 26-001 is under way"
    assert "split" in str(refused)


def test_a_lend_that_leaves_nobody_is_refused(crews: Sequence[Crew]) -> None:
    first, second = crews

    refused = refusal(LendPeople(first.pk, second.pk, date(2026, 6, 8), date(2026, 6, 9), people=4))

    assert "nobody would be left" in refused.rule
    assert not LentPeople.objects.exists()


def test_a_crew_cannot_lend_to_itself(crews: Sequence[Crew]) -> None:
    refused = refusal(LendPeople(crews[0].pk, crews[0].pk, date(2026, 6, 8), date(2026, 6, 9)))

    assert refused.rule == "A crew cannot lend people to itself"


@pytest.mark.parametrize("kind", ["lend", "aside", "block"])
def test_days_in_the_past_are_refused_with_today(crews: Sequence[Crew], kind: str) -> None:
    day = MONDAY.date() - timedelta(days=4)
    made: dict[str, Move] = {
        "lend": LendPeople(crews[0].pk, crews[1].pk, day, day),
        "aside": SetTimeAside(crews[0].pk, "SHOP", at(day), at(day, 15)),
        "block": BlockDays(day, day, "Truck in the shop", crew_id=crews[0].pk),
    }

    refused = refusal(made[kind])

    assert "lies in the past" in refused.rule
    assert refused.nearest_start_at is not None
    assert day_of(refused.nearest_start_at) == MONDAY.date()


def test_a_block_that_breaks_a_pin_is_refused_with_the_first_day_that_does_not(
    crews: Sequence[Crew],
) -> None:
    day = date(2026, 6, 29)
    accept(MovePhase(phase("ROOF").pk, crews[0].pk, day=day))

    refused = refusal(BlockDays(day, day, "Training", crew_id=crews[0].pk))

    assert "roof steel of 26-001 is pinned and would have to move" in refused.rule
    assert refused.nearest_start_at is not None
    later = day_of(refused.nearest_start_at)
    assert later > day
    works(BlockDays(later, later, "Training", crew_id=crews[0].pk))
    assert not DayOff.objects.filter(reason="Training").exists()


def test_time_that_is_set_aside_already_is_refused_with_the_next_day(
    crews: Sequence[Crew],
) -> None:
    day = date(2026, 6, 29)
    accept(SetTimeAside(crews[0].pk, "SHOP", at(day), at(day, 15)))

    refused = refusal(SetTimeAside(crews[0].pk, "CALLBACK", at(day, 9), at(day, 11)))

    assert refused.rule == f"{crews[0].name} has shop day on Mon Jun 29, 07:30"
    assert refused.nearest_start_at == at(day + timedelta(days=1), 9)


def test_a_swap_that_one_crew_cannot_do_is_refused(crews: Sequence[Crew]) -> None:
    Crew.objects.filter(pk=crews[1].pk).update(skills=["CONCRETE"])
    planning.plan_now(now=MONDAY, budget_seconds=0)
    row = booked("FRAME")
    day = day_of(row.starts_at)

    refused = refusal(SwapCrews(crews[0].pk, crews[1].pk, day, day))

    assert f"{crews[1].name} cannot do it" in refused.rule


def test_a_swap_of_days_without_work_is_refused_with_the_next_that_have_some(
    crews: Sequence[Crew],
) -> None:
    refused = refusal(SwapCrews(crews[0].pk, crews[1].pk, SATURDAY, SATURDAY))

    assert refused.rule == "neither crew is to begin anything in these days"


def test_only_work_under_way_can_be_split(crews: Sequence[Crew]) -> None:
    refused = refusal(SplitPhase(phase("ROOF").pk, at(date(2026, 6, 29))))

    assert "only work under way can be split" in refused.rule


def test_a_phase_without_a_pin_cannot_be_freed(crews: Sequence[Crew]) -> None:
    assert "has no pin" in refusal(FreePhase(phase("ROOF").pk)).rule
