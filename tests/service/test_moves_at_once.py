"""Two people on one board at one moment, on PostgreSQL: one move counts, the other is told why."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import date, datetime
from itertools import pairwise
from threading import Barrier

import pytest
from django.db import connection

from crews.models import Crew
from jobs.models import BoardMove, Booking, Phase, Plan
from jobs.selectors.board_version import version
from jobs.services import moves, planning, publishing
from jobs.services.moves import LendPeople, Move, MovePhase, MoveRefused, MoveStale
from tests.processes import PATIENCE_SECONDS
from tests.service.portfolio import MONDAY, ZONE, cover_digging, make_firm, make_job

pytestmark = [pytest.mark.services, pytest.mark.django_db(transaction=True)]

DAY = date(2026, 7, 6)


@pytest.fixture
def crews() -> Sequence[Crew]:
    crews = make_firm(crews=2)
    for number in ("26-001", "26-002"):
        cover_digging(make_job(number=number))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=MONDAY)
    return crews


def phase(code: str, number: str = "26-001") -> Phase:
    return Phase.objects.get(job__number=number, code=code)


def together(sent: Sequence[Move]) -> list[moves.Accepted | Exception]:
    """Accept each move from a connection of its own, all having looked at the same board."""
    seen = version()
    barrier = Barrier(len(sent))

    def accept(move: Move) -> moves.Accepted | Exception:
        try:
            answer = moves.try_move(move=move, now=MONDAY, seen=seen)
            barrier.wait(PATIENCE_SECONDS)
            return moves.accept_move(
                move=move, now=MONDAY, seen=answer.version, shown=answer.digest
            )
        except (MoveRefused, MoveStale) as refused:
            return refused
        finally:
            connection.close()

    with ThreadPoolExecutor(len(sent)) as people:
        return list(people.map(accept, sent))


def test_one_phase_moved_to_two_places_goes_to_one_and_the_other_is_told(
    crews: Sequence[Crew],
) -> None:
    roof = phase("ROOF").pk
    first, second = MovePhase(roof, crews[0].pk, day=DAY), MovePhase(roof, crews[1].pk, day=DAY)

    answers = together([first, second])

    (done,) = [answer for answer in answers if isinstance(answer, moves.Accepted)]
    (stale,) = [answer for answer in answers if isinstance(answer, MoveStale)]
    assert any("pinned start" in text for text in stale.changed)
    assert BoardMove.objects.count() == 1
    assert Plan.objects.filter(status="DRAFT").count() == 1
    assert phase("ROOF").pinned_crew_id in (crews[0].pk, crews[1].pk)
    row = Booking.objects.get(plan=done.move.plan, phase=roof)
    assert row.crew_id == phase("ROOF").pinned_crew_id


def test_two_phases_moved_to_one_place_are_never_there_together(crews: Sequence[Crew]) -> None:
    sent = [
        MovePhase(phase("ROOF", number).pk, crews[0].pk, day=DAY) for number in ("26-001", "26-002")
    ]

    answers = together(sent)

    assert sum(isinstance(answer, moves.Accepted) for answer in answers) == 1
    draft = Plan.objects.get(status="DRAFT")
    rows = list(Booking.objects.filter(plan=draft, crew=crews[0]).order_by("starts_at"))
    assert all(one.ends_at <= other.starts_at for one, other in pairwise(rows))


def test_moves_that_have_nothing_to_do_with_each_other_are_both_kept(
    crews: Sequence[Crew],
) -> None:
    later = date(2026, 8, 3)
    answers = together(
        [
            MovePhase(phase("ROOF").pk, crews[0].pk, day=DAY),
            MovePhase(phase("ROOF", "26-002").pk, crews[1].pk, day=later),
        ]
    )

    kept = [answer for answer in answers if isinstance(answer, moves.Accepted)]
    assert len(kept) == 2, answers
    draft = Plan.objects.get(status="DRAFT")
    days = {
        row.phase.job.number: row.starts_at.astimezone(ZONE).date()
        for row in Booking.objects.filter(plan=draft, phase__code="ROOF").select_related(
            "phase__job"
        )
    }
    assert days == {"26-001": DAY, "26-002": later}


def test_the_last_people_of_a_crew_are_not_lent_twice(crews: Sequence[Crew]) -> None:
    first, second = crews
    lend = LendPeople(first.pk, second.pk, DAY, DAY, people=2)

    answers = together([lend, lend])

    # Two of four may go; of the same days, the second is told what the first did.
    assert sum(isinstance(answer, moves.Accepted) for answer in answers) == 1
    assert sum(isinstance(answer, MoveStale) for answer in answers) == 1


def test_an_undo_pressed_twice_at_once_undoes_once(crews: Sequence[Crew]) -> None:
    move = MovePhase(phase("ROOF").pk, None, day=DAY)
    done = moves.accept_move(move=move, now=MONDAY, seen=version())

    def undo(moment: datetime) -> bool:
        try:
            moves.undo_move(move_id=done.move.pk, now=moment)
        except MoveRefused:
            return False
        finally:
            connection.close()
        return True

    presses: Callable[[datetime], bool] = undo
    with ThreadPoolExecutor(2) as people:
        undone = list(people.map(presses, [MONDAY, MONDAY]))

    assert sorted(undone) == [False, True]
    assert phase("ROOF").pinned_start_at is None
