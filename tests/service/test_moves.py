"""Moves of the board: tried without a trace, accepted whole, and told to the crews."""

from collections.abc import Sequence
from datetime import date, timedelta
from uuid import uuid4

import pytest
from django.contrib.auth.models import AbstractUser

from crews.models import Crew, FeedEvent
from jobs.models import Booking, FieldReport, Job, LentPeople, SetAside
from jobs.selectors.board_version import plan_at_hand, version
from jobs.selectors.reports import OFFICE
from jobs.services import moves, planning, publishing
from jobs.services.moves import (
    BlockDays,
    LendPeople,
    MovePhase,
    SetTimeAside,
    SplitPhase,
    SwapCrews,
)
from jobs.services.new_report import NewReport
from jobs.services.reporting import take_report
from tests.service.moving import (
    accept,
    at,
    booked,
    day_of,
    everything,
    phase,
    plan_at_hand_rows,
)
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


# --- what follows -------------------------------------------------------------------------------


def test_a_move_that_is_tried_leaves_no_trace(crews: Sequence[Crew]) -> None:
    row = booked("ROOF")
    other = next(crew for crew in crews if crew != row.crew)
    before = everything()

    answer = moves.try_move(
        move=MovePhase(row.phase_id, other.pk, day=date(2026, 6, 29)), now=MONDAY
    )

    assert everything() == before
    assert answer.starts_at == at(date(2026, 6, 29), 7, 30)
    moved = {entry.phase_id: entry for entry in answer.phases}[row.phase_id]
    assert (moved.old_starts_at, moved.old_crew) == (row.starts_at, str(row.crew))
    assert (moved.new_starts_at, moved.new_crew) == (answer.starts_at, other.name)
    assert moved.was_told


def test_an_accepted_move_is_what_was_shown(crews: Sequence[Crew], office: AbstractUser) -> None:
    move = MovePhase(phase("ROOF").pk, crews[1].pk, day=date(2026, 6, 29))
    answer = moves.try_move(move=move, now=MONDAY, seen=version())

    done = accept(move, answer, by=office)

    assert done.answer.phases == answer.phases
    for entry in answer.phases:
        row = Booking.objects.get(plan=done.move.plan, phase=entry.phase_id)
        assert (row.starts_at, row.ends_at) == (entry.new_starts_at, entry.new_ends_at)
    assert (done.move.by, done.move.kind) == (office, "MOVE")
    assert done.request.base == done.move.plan == plan_at_hand()
    assert phase("ROOF").pinned_crew == crews[1]
    assert not Booking.objects.filter(plan=done.move.plan, is_live=True).exists()


def test_followers_move_with_what_they_follow_and_nothing_else_does(crews: Sequence[Crew]) -> None:
    answer = moves.try_move(
        move=MovePhase(phase("ROOF").pk, None, day=date(2026, 6, 29)), now=MONDAY
    )

    assert {entry.job for entry in answer.phases} == {"26-001"}
    followers = [entry for entry in answer.phases if entry.phase_id != phase("ROOF").pk]
    assert followers
    for entry in followers:
        assert entry.new_starts_at is not None
        assert entry.new_starts_at >= at(date(2026, 6, 29))
    (finish,) = answer.jobs
    assert finish.new_finish_on is not None
    assert finish.new_finish_on == max(
        day_of(e.new_ends_at) for e in answer.phases if e.new_ends_at
    )


def test_a_promise_that_the_move_breaks_is_told_as_lost_and_saved_on_the_way_back(
    crews: Sequence[Crew],
) -> None:
    Job.objects.filter(number="26-001").update(promised_on=date(2026, 6, 26))
    move = MovePhase(phase("ROOF").pk, None, day=date(2026, 6, 29))
    answer = moves.try_move(move=move, now=MONDAY)

    assert [job.job for job in answer.promises_lost] == ["26-001"]
    assert answer.promises_saved == ()

    done = accept(move)
    back = moves.undo_move(move_id=done.move.pk, now=MONDAY)

    assert [job.job for job in back.answer.promises_saved] == ["26-001"]


def test_a_second_move_keeps_what_the_first_has_moved(crews: Sequence[Crew]) -> None:
    first = accept(MovePhase(phase("ROOF").pk, None, day=date(2026, 6, 29)))
    moved = {entry.phase_id for entry in first.answer.phases}

    second = moves.try_move(
        move=MovePhase(phase("ROOF", "26-002").pk, None, day=date(2026, 7, 6)), now=MONDAY
    )

    assert not moved & {entry.phase_id for entry in second.phases}


def test_work_told_within_the_freeze_is_named(crews: Sequence[Crew]) -> None:
    row = booked("LAYOUT")

    answer = moves.try_move(
        move=MovePhase(row.phase_id, None, day=day_of(row.starts_at) + timedelta(days=8)),
        now=MONDAY,
    )

    moved = {entry.phase_id: entry for entry in answer.phases}[row.phase_id]
    assert moved.is_frozen
    assert any("within the freeze" in note for note in answer.notes)


def test_on_a_day_with_a_shop_morning_work_begins_at_noon(crews: Sequence[Crew]) -> None:
    day = date(2026, 6, 29)
    accept(SetTimeAside(crews[0].pk, "SHOP", at(day, 7, 0), at(day, 12, 0)))

    answer = moves.try_move(move=MovePhase(phase("ROOF").pk, crews[0].pk, day=day), now=MONDAY)

    assert answer.starts_at == at(day, 12, 0)


# --- the other moves ----------------------------------------------------------------------------


def test_lent_people_make_work_within_the_days_quicker_there_and_slower_here(
    crews: Sequence[Crew],
) -> None:
    first, second = crews
    span = (date(2026, 6, 22), date(2026, 7, 24))
    for number, crew in (("26-001", first), ("26-002", second)):
        accept(MovePhase(phase("FRAME", number).pk, crew.pk, day=date(2026, 6, 23)))
    before = {number: booked("FRAME", number).work_hours for number in ("26-001", "26-002")}

    accept(LendPeople(first.pk, second.pk, *span))

    # Framing takes up to four people: a fifth gains nothing, and the crew that lends slows down.
    hours = phase("FRAME").planned_hours
    assert booked("FRAME", "26-001").work_hours == pytest.approx(hours / 3, abs=0.25)
    assert before["26-001"] == pytest.approx(hours / 4, abs=0.25)
    assert booked("FRAME", "26-002").work_hours <= before["26-002"]


def test_a_person_lent_to_a_crew_of_two_lets_it_work_as_three(crews: Sequence[Crew]) -> None:
    first, second = crews
    Crew.objects.filter(pk=second.pk).update(size=2)
    walls = phase("WALLS")
    day = date(2026, 7, 6)
    accept(MovePhase(walls.pk, second.pk, day=day))
    two = booked(walls.code).work_hours

    accept(LendPeople(first.pk, second.pk, day, day + timedelta(days=18)))

    assert booked(walls.code).work_hours == pytest.approx(two * 2 / 3, abs=0.25)
    LentPeople.objects.update(first_day=day + timedelta(days=14))
    planning.repair_now(reason="the person comes later", now=MONDAY)
    assert booked(walls.code).work_hours == pytest.approx(two)


def test_a_shop_day_takes_its_hours_out_of_work_that_goes_around_it(crews: Sequence[Crew]) -> None:
    row = booked("FRAME")
    assert row.crew_id is not None
    day = day_of(row.starts_at)

    done = accept(SetTimeAside(row.crew_id, "SHOP", at(day, 7, 0), at(day, 15, 30), note="Saws"))

    moved = booked("FRAME")
    assert day_of(moved.starts_at) > day
    assert done.answer.words.startswith(f"Shop day for {row.crew}")
    assert SetAside.objects.get().note == "Saws"


def test_a_blocked_day_has_no_work_of_the_crew(crews: Sequence[Crew]) -> None:
    row = booked("FRAME")
    day = day_of(row.starts_at)

    accept(BlockDays(day, day, "Training", crew_id=row.crew_id))

    assert day_of(booked("FRAME").starts_at) != day


def test_what_a_blocked_day_displaces_does_not_go_to_the_end_of_the_season(db: None) -> None:
    """A crew booked solid: left in place, all others would have sent one job behind the last."""
    make_firm(crews=1)
    for number in range(1, 7):
        cover_digging(make_job(number=f"26-00{number}", promised_on=date(2026, 12, 1)))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=MONDAY)
    rows = [row for row in plan_at_hand_rows() if row.phase.code == "TRUSSES"]
    first = min(rows, key=lambda row: row.starts_at)
    day = day_of(first.starts_at)

    answer = moves.try_move(move=BlockDays(day, day, "Training", crew_id=first.crew_id), now=MONDAY)

    assert answer.jobs
    for job in answer.jobs:
        assert job.old_finish_on is not None
        assert job.new_finish_on is not None
        assert job.new_finish_on - job.old_finish_on <= timedelta(days=7), job


def test_two_crews_swap_what_they_begin_in_a_span(crews: Sequence[Crew]) -> None:
    first, second = crews
    begun = {
        row.phase_id: row
        for row in Booking.objects.filter(plan=plan_at_hand(), crew__in=crews).select_related(
            "phase"
        )
    }
    days = [day_of(row.starts_at) for row in begun.values()]

    done = accept(SwapCrews(first.pk, second.pk, min(days), max(days)))

    other = {first.pk: second.pk, second.pk: first.pk}
    for row in Booking.objects.filter(plan=done.move.plan, phase__in=begun):
        assert row.crew_id == other[begun[row.phase_id].crew_id or 0], row.phase
    moved_days = [entry.days for entry in done.answer.phases]
    assert set(moved_days) == {0}  # two crews alike, each at the other's hours


def test_work_under_way_stops_now_and_goes_on_later(crews: Sequence[Crew]) -> None:
    layout = booked("LAYOUT")
    begun = NewReport(
        id=uuid4(),
        phase_id=layout.phase_id,
        kind="STARTED",
        made_at=at(MONDAY.date()),
        crew_id=layout.crew_id,
    )
    noon = at(MONDAY.date(), 8, 30)
    take_report(report=begun, who=OFFICE, now=noon)
    goes_on = at(date(2026, 6, 4))
    move = SplitPhase(layout.phase_id, goes_on)

    answer = moves.try_move(move=move, now=noon)
    assert FieldReport.objects.filter(kind="STOPPED").count() == 0
    done = moves.accept_move(move=move, now=noon, seen=answer.version, shown=answer.digest)

    assert booked("LAYOUT").starts_at == goes_on
    moves.undo_move(move_id=done.move.pk, now=noon + timedelta(minutes=1))
    assert booked("LAYOUT").starts_at < goes_on
    assert phase("LAYOUT").stopped_at is None


# --- what crews are told ------------------------------------------------------------------------


def test_shop_days_and_lent_people_stand_in_the_crews_calendars(crews: Sequence[Crew]) -> None:
    first, second = crews
    day = date(2026, 7, 6)
    accept(SetTimeAside(first.pk, "SHOP", at(day, 7, 0), at(day, 15, 30), note="Sharpen blades"))
    lent = accept(LendPeople(first.pk, second.pk, day, day + timedelta(days=1), note="Ann"))
    assert lent.move.plan is not None

    publishing.publish(plan_id=lent.move.plan.pk, now=MONDAY)

    two_days = at(day, 0, 0), at(day + timedelta(days=2), 0, 0)
    shown = {
        (event.crew_id, event.summary): (event.starts_at, event.ends_at, event.description)
        for event in FeedEvent.objects.exclude(source__startswith="phase:")
        if event.crew_id is not None
    }
    assert shown == {
        (first.pk, "Shop day"): (at(day, 7, 0), at(day, 15, 30), "Sharpen blades"),
        (first.pk, f"1 person of yours with {second}"): (*two_days, "Ann"),
        (second.pk, f"1 person of {first} with you"): (*two_days, "Ann"),
    }
    moves.undo_move(move_id=lent.move.pk, now=MONDAY)
    publishing.refresh_feeds(now=MONDAY)
    assert FeedEvent.objects.filter(source__startswith="lent:", is_dropped=False).count() == 0


def test_work_that_should_be_going_on_does_not_move_because_something_else_does(
    crews: Sequence[Crew],
) -> None:
    """Nobody has reported it, an hour has passed, and an unrelated phase is moved."""
    begun = {row.phase_id for row in plan_at_hand_rows() if row.starts_at <= at(MONDAY.date(), 8)}
    assert begun

    answer = moves.try_move(
        move=MovePhase(phase("WALLS").pk, None, day=date(2026, 7, 6)),
        now=at(MONDAY.date(), 8, 15),
    )

    assert not begun & {entry.phase_id for entry in answer.phases}


def test_a_move_by_hand_asks_for_no_plan_that_moves_others_to_be_cheaper(
    crews: Sequence[Crew], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With 65 jobs the cheapest plan moved 643 of 780 phases for one that was moved by hand."""

    def cheapest(problem: object) -> None:
        raise AssertionError("a move by hand leaves others where they are")

    monkeypatch.setattr("contractor.engine.planner.keep", cheapest)

    accept(MovePhase(phase("ROOF").pk, None, day=date(2026, 6, 29)))
    accept(MovePhase(phase("ROOF", "26-002").pk, None, day=date(2026, 7, 6)))
