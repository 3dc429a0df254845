"""A phase split before it begins: what is tried, stored, planned, undone and joined."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Any
from uuid import uuid4

import pytest
from django.contrib.auth.models import AbstractUser

from contractor.engine.check import check
from crews.models import Crew
from jobs.models import Booking, Job, Opening, Phase
from jobs.selectors.board_version import plan_at_hand
from jobs.selectors.reports import OFFICE
from jobs.services import moves, plan_making, publishing
from jobs.services.intake import refresh_phases
from jobs.services.move_touch import Touch
from jobs.services.moves import JoinParts, Move, MoveRefused, SplitAhead
from jobs.services.new_report import NewReport
from jobs.services.reporting import take_report
from tests.factories import DayOffFactory
from tests.service.portfolio import MONDAY, ZONE

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


def parts(code: str, number: str = "26-001") -> list[Phase]:
    rows = Phase.objects.filter(job__number=number, code=code).exclude(status="DROPPED")
    return list(rows.select_related("job").order_by("part"))


def booked(phase: Phase) -> Booking:
    return Booking.objects.get(plan=plan_at_hand(), phase=phase)


def day_after(row: Booking, days: int) -> date:
    """Return a weekday some days after a booking's end."""
    day = row.ends_at.astimezone(ZONE).date() + timedelta(days=days)
    return day + timedelta(days=(7 - day.weekday()) % 7 if day.weekday() > 4 else 0)


def accept(move: Move, **more: Any) -> moves.Accepted:
    shown = moves.try_move(move=move, now=MONDAY)
    return moves.accept_move(move=move, now=MONDAY, seen=shown.version, shown=shown.digest, **more)


def refusal(move: Move, now: datetime = MONDAY) -> MoveRefused:
    with pytest.raises(MoveRefused) as refused:
        moves.try_move(move=move, now=now)
    return refused.value


def places() -> dict[int, tuple[int | None, datetime, datetime]]:
    rows = Booking.objects.filter(plan=plan_at_hand())
    return {row.phase_id: (row.crew_id, row.starts_at, row.ends_at) for row in rows}


def split(code: str, share: float = 0.5, days: int = 5) -> moves.Accepted:
    (phase,) = parts(code)
    return accept(SplitAhead(phase.pk, share, day=day_after(booked(phase), days)))


def test_half_is_done_where_it_was_and_the_rest_on_its_day(
    crews: Sequence[Crew], office: AbstractUser
) -> None:
    (phase,) = parts("ROOF")
    whole, was = phase.planned_hours, booked(phase)
    day = day_after(was, 5)

    done = accept(SplitAhead(phase.pk, 0.4, day=day), by=office)

    first, rest = parts("ROOF")
    assert (first.pk, first.part, rest.part, first.parts, rest.parts) == (phase.pk, 1, 2, 2, 2)
    assert (first.share_of_whole, rest.share_of_whole) == pytest.approx((0.4, 0.6))
    assert first.planned_hours == pytest.approx(whole * 0.4, abs=0.01)
    assert first.planned_hours + rest.planned_hours == pytest.approx(whole, abs=0.02)
    assert booked(first).starts_at == was.starts_at
    assert booked(first).work_hours < was.work_hours
    assert booked(rest).starts_at.astimezone(ZONE).date() == day
    assert (booked(rest).crew, booked(rest).is_pinned) == (was.crew, True)
    assert done.answer.starts_at == booked(rest).starts_at
    assert str(first) == "Roof steel, part 1 of 2, job 26-001"
    walls = booked(parts("WALLS")[0])
    assert walls.starts_at >= booked(rest).ends_at


def test_a_try_stores_nothing(crews: Sequence[Crew]) -> None:
    (phase,) = parts("ROOF")
    before = list(Phase.objects.order_by("pk").values())

    answer = moves.try_move(
        move=SplitAhead(phase.pk, 0.5, day=day_after(booked(phase), 5)), now=MONDAY
    )

    assert list(Phase.objects.order_by("pk").values()) == before
    assert "split: 50% first" in answer.words


def test_undone_it_is_one_phase_where_it_was(crews: Sequence[Crew]) -> None:
    before, (phase,) = places(), parts("ROOF")
    columns = Phase.objects.filter(pk=phase.pk).values().get()
    done = split("ROOF")

    moves.undo_move(move_id=done.move.pk, now=MONDAY + timedelta(minutes=1))

    assert [row.pk for row in parts("ROOF")] == [phase.pk]
    assert Phase.objects.filter(pk=phase.pk).values().get() == columns
    assert places() == before


def test_split_again_after_undo_takes_the_same_row(crews: Sequence[Crew]) -> None:
    done = split("ROOF")
    rest = parts("ROOF")[1]
    moves.undo_move(move_id=done.move.pk, now=MONDAY + timedelta(minutes=1))

    split("ROOF", 0.3)

    assert parts("ROOF")[1].pk == rest.pk
    assert parts("ROOF")[1].share_of_whole == pytest.approx(0.7)


def test_the_last_part_is_split_again_up_to_four(crews: Sequence[Crew]) -> None:
    (walls,) = parts("WALLS")
    Phase.objects.filter(pk=walls.pk).update(office_hours=100)
    for _ in range(3):
        last = parts("WALLS")[-1]
        accept(SplitAhead(last.pk, 0.5, day=day_after(booked(last), 5)))

    rows = parts("WALLS")
    assert [row.get_code_display() for row in rows] == [
        f"Wall steel, part {n} of 4" for n in range(1, 5)
    ]
    assert sum(row.planned_hours for row in rows) == pytest.approx(100)
    assert sum(row.share_of_whole for row in rows) == pytest.approx(1)
    spans = [booked(row) for row in rows]
    for before, after in pairwise(spans):
        assert after.starts_at >= before.ends_at
    last = rows[-1]
    assert "4 parts already" in refusal(SplitAhead(last.pk, 0.5, day=date(2026, 8, 3))).rule
    assert "only its last part" in refusal(SplitAhead(rows[0].pk, 0.5, day=date(2026, 8, 3))).rule


@pytest.mark.parametrize(
    ("code", "why"),
    [
        ("DIG", "one visit"),
        ("POSTS", "concrete"),
        ("TRUSSES", "half a row of trusses"),
        ("FRAME_INSPECTION", "not the work of a crew"),
    ],
)
def test_what_must_stay_whole_is_not_split(crews: Sequence[Crew], code: str, why: str) -> None:
    rows = parts(code)
    if not rows:
        pytest.skip(f"this job has no {code}")
    assert why in refusal(SplitAhead(rows[0].pk, 0.5, day=date(2026, 6, 29))).rule


@pytest.mark.parametrize("share", [0.0, 0.05, 0.95, 1.0, 2.0])
def test_a_share_of_nearly_nothing_or_all_is_refused(crews: Sequence[Crew], share: float) -> None:
    refused = refusal(SplitAhead(parts("ROOF")[0].pk, share, day=date(2026, 6, 29)))
    assert "between 10% and 90%" in refused.rule


def test_a_part_under_an_hour_is_refused(crews: Sequence[Crew]) -> None:
    (phase,) = parts("ROOF")
    Phase.objects.filter(pk=phase.pk).update(office_hours=4)
    refused = refusal(SplitAhead(phase.pk, 0.2, day=date(2026, 6, 29)))
    assert "4.0 hours of labor" in refused.rule
    assert "no part is under 1 hour" in str(refused)


def test_a_day_before_the_first_part_is_done_is_refused_with_one_after(
    crews: Sequence[Crew],
) -> None:
    (phase,) = parts("ROOF")
    was = booked(phase)
    refused = refusal(SplitAhead(phase.pk, 0.5, day=was.starts_at.date() - timedelta(days=1)))
    assert refused.nearest_start_at is not None
    assert refused.nearest_start_at > was.starts_at


def test_a_rest_that_would_stop_for_a_closing_is_told_of_it_with_the_day_after(
    crews: Sequence[Crew],
) -> None:
    (phase,) = parts("ROOF")
    was = booked(phase)
    monday = was.ends_at.astimezone(ZONE).date() + timedelta(days=7)
    monday -= timedelta(days=monday.weekday())
    closed = monday + timedelta(days=1)
    DayOffFactory(crew=None, first_day=closed, last_day=closed + timedelta(days=10))
    Phase.objects.filter(pk=phase.pk).update(office_hours=90)
    refused = refusal(SplitAhead(phase.pk, 0.2, crew_id=was.crew_id, day=monday))
    assert f"when work closes on {monday:%a %b %-d} until" in refused.rule
    assert refused.nearest_start_at is not None
    first = refused.nearest_start_at.astimezone(ZONE).date()
    assert closed + timedelta(days=10) < first <= closed + timedelta(days=13)
    moves.try_move(
        move=SplitAhead(phase.pk, 0.2, was.crew_id, starts_at=refused.nearest_start_at), now=MONDAY
    )


def test_a_refusal_ends_its_sentence_once() -> None:
    refused = MoveRefused("The part before it comes first.", remedy="Choose a later day.")
    assert "comes first. Choose" in str(refused)


def test_what_has_begun_is_not_split_ahead(crews: Sequence[Crew]) -> None:
    (phase,) = parts("ROOF")
    Phase.objects.filter(pk=phase.pk).update(status="UNDER_WAY", started_at=MONDAY)
    refused = refusal(SplitAhead(phase.pk, 0.5, day=date(2026, 6, 29)))
    assert "under way" in refused.rule


def begin(phase: Phase, kind: str = "STARTED") -> None:
    report = NewReport(
        id=uuid4(), phase_id=phase.pk, kind=kind, made_at=MONDAY, crew_id=Crew.objects.first().pk
    )
    take_report(report=report, who=OFFICE, now=MONDAY)


def test_no_undo_once_a_part_has_begun(crews: Sequence[Crew]) -> None:
    done = split("ROOF")
    begin(parts("ROOF")[0])
    with pytest.raises(MoveRefused, match="changed since"):
        moves.undo_move(move_id=done.move.pk, now=MONDAY + timedelta(minutes=1))
    assert "under way" in refusal(JoinParts(parts("ROOF")[1].pk)).rule


def test_published_parts_are_joined_and_not_undone(crews: Sequence[Crew]) -> None:
    whole = parts("ROOF")[0].planned_hours
    done = split("ROOF")
    first, rest = parts("ROOF")
    publishing.publish(plan_id=done.move.plan_id or 0, now=MONDAY)
    assert Booking.objects.filter(is_live=True, phase=rest).exists()
    with pytest.raises(MoveRefused, match="Put the parts together instead"):
        moves.undo_move(move_id=done.move.pk, now=MONDAY + timedelta(minutes=1))

    joined = accept(JoinParts(rest.pk))

    (row,) = parts("ROOF")
    assert (row.pk, row.parts, row.share_of_whole) == (first.pk, 1, 1.0)
    assert row.planned_hours == pytest.approx(whole, abs=0.02)
    assert not Booking.objects.filter(plan=joined.move.plan, phase=rest).exists()
    publishing.publish(plan_id=joined.move.plan_id or 0, now=MONDAY)
    assert not Booking.objects.filter(is_live=True, phase=rest).exists()


def test_a_whole_phase_has_nothing_to_join(crews: Sequence[Crew]) -> None:
    assert "in one piece" in refusal(JoinParts(parts("ROOF")[0].pk)).rule


def test_hours_follow_the_take_off_by_share(crews: Sequence[Crew]) -> None:
    split("ROOF", 0.25)
    job = parts("ROOF")[0].job
    before = sum(row.labor_hours for row in parts("ROOF"))
    job.length_ft *= 2
    job.save()

    refresh_phases(job=job)

    first, rest = parts("ROOF")
    assert first.labor_hours + rest.labor_hours > before * 1.5
    assert first.labor_hours * 3 == pytest.approx(rest.labor_hours, abs=0.05)
    assert rest.labor_arithmetic.startswith("75% of the whole: ")
    assert rest.labor_arithmetic.count("of the whole") == 1


def test_a_phase_left_out_and_back_has_its_parts_again(crews: Sequence[Crew]) -> None:
    job = parts("ROOF")[0].job
    door = Opening.objects.create(job=job, kind="WALK_DOOR", width_ft=3, height_ft=7, count=4)
    refresh_phases(job=job)
    (phase,) = parts("DOORS")
    SplitAhead(phase.pk, 0.5, day=date(2026, 7, 6)).write(Touch(now=MONDAY, by=None))
    door.delete()
    refresh_phases(job=Job.objects.get(pk=job.pk))
    assert parts("DOORS") == []

    Opening.objects.create(job=job, kind="WALK_DOOR", width_ft=3, height_ft=7, count=4)
    refresh_phases(job=Job.objects.get(pk=job.pk))

    assert [row.part for row in parts("DOORS")] == [1, 2]


@pytest.mark.parametrize("share", [0.1, 0.37, 0.9])
@pytest.mark.parametrize("code", ["FRAME", "ROOF", "WALLS", "TRIM"])
def test_a_plan_of_parts_keeps_every_rule(crews: Sequence[Crew], code: str, share: float) -> None:
    """The engine's own checker, which shares no code with its decoder, finds nothing broken."""
    (phase,) = parts(code)
    Phase.objects.filter(pk=phase.pk).update(office_hours=40)
    split(code, share, days=4)

    proposal = plan_making.repair(now=MONDAY)

    assert check(proposal.portfolio.problem, proposal.result.schedule) == ()
    rows = parts(code)
    assert sum(row.planned_hours for row in rows) == pytest.approx(40)
    crew_rows = Booking.objects.filter(plan=plan_at_hand(), crew=booked(rows[0]).crew)
    spans = sorted((row.starts_at, row.ends_at) for row in crew_rows)
    for (_, ends_at), (starts_at, _) in pairwise(spans):
        assert starts_at >= ends_at
