"""A try on rows that were read before: the same as anew, and only while no row is another."""

import random
import re
import sqlite3
from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from uuid import uuid4

import pytest
from django.db import connection, transaction
from django.db.utils import ConnectionHandler
from django.test.utils import CaptureQueriesContext

from contractor.trade.progress import Kind
from crews.models import Crew
from jobs.models import Booking, Phase
from jobs.selectors import work_state as states
from jobs.selectors.reports import OFFICE
from jobs.services import moves, plan_making, planning, publishing, work_at_hand
from jobs.services.moves import MovePhase, MoveRefused
from jobs.services.new_report import NewReport
from jobs.services.plan_basis import FIRST_HORIZON_DAYS
from jobs.services.portfolio import state_of
from jobs.services.reporting import take_report
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

MOVES_TRIED = 12


@pytest.fixture
def crews(db: None) -> Sequence[Crew]:
    """Two crews and three jobs, published from Monday on."""
    crews = make_firm(crews=2)
    for number in ("26-001", "26-002", "26-003"):
        cover_digging(make_job(number=number))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=MONDAY)
    return crews


def problem_of(basis: plan_making.Basis) -> str:
    return state_of(basis.portfolio(FIRST_HORIZON_DAYS).problem)


def pin_of_somewhere(rng: random.Random, crews: Sequence[Crew]) -> tuple[int | None, datetime]:
    crew = rng.choice([None, *(crew.pk for crew in crews)])
    return crew, MONDAY + timedelta(hours=rng.randrange(2, 60 * 24))


@pytest.mark.django_db
@pytest.mark.usefixtures("on_monday")
@pytest.mark.parametrize("early", [False, True])
def test_a_pin_set_in_memory_makes_the_problem_that_a_stored_one_makes(
    crews: Sequence[Crew], early: bool
) -> None:
    if early:  # so that told starts move forward, which a pin prevents
        finish_layout_of_the_first()
    rng = random.Random(8)
    now = MONDAY + timedelta(hours=4)
    phases = list(Phase.objects.filter(status="OPEN", job__number="26-001").order_by("pk"))
    # The dig, which goes on in the visit of the layout until it is pinned, is among them.
    basis = plan_making.read(now=now)
    for phase in phases:
        before = (phase.pinned_crew_id, phase.pinned_start_at)
        pinned = pin_of_somewhere(rng, crews)
        in_memory = basis.repinned({phase.pk: pinned})
        moved_on = in_memory.repinned({phase.pk: (pinned[0], pinned[1] + timedelta(days=1))})
        off = in_memory.repinned({phase.pk: None})
        Phase.objects.filter(pk=phase.pk).update(pinned_crew=pinned[0], pinned_start_at=pinned[1])
        assert problem_of(in_memory) == problem_of(plan_making.read(now=now)), phase
        Phase.objects.filter(pk=phase.pk).update(pinned_start_at=pinned[1] + timedelta(days=1))
        assert problem_of(moved_on) == problem_of(plan_making.read(now=now)), phase
        Phase.objects.filter(pk=phase.pk).update(pinned_crew=before[0], pinned_start_at=before[1])
        assert problem_of(off) == problem_of(basis), phase


def finish_layout_of_the_first() -> None:
    """Report the first phase of a job as done at once, days before it was booked to be."""
    phase = Phase.objects.filter(job__number="26-001", status="OPEN").order_by("sequence")[0]
    for kind, hours in ((Kind.STARTED, 2), (Kind.DONE, 3)):
        report = NewReport(
            id=uuid4(),
            phase_id=phase.pk,
            kind=kind.value,
            made_at=MONDAY + timedelta(hours=hours),
            crew_id=Crew.objects.order_by("pk")[0].pk,
        )
        take_report(report=report, who=OFFICE, now=MONDAY + timedelta(hours=hours))


@pytest.mark.django_db
@pytest.mark.usefixtures("on_monday")
def test_a_try_on_kept_rows_is_what_accepting_reads_anew(
    crews: Sequence[Crew], name_state: Callable[[], None]
) -> None:
    rng = random.Random(26)
    rows = list(
        Booking.objects.filter(is_live=True, crew__isnull=False).order_by("pk").values("phase")
    )
    accepted = 0
    for row in rng.sample(rows, MOVES_TRIED):
        move = MovePhase(
            row["phase"],
            rng.choice([None, *(crew.pk for crew in crews)]),
            day=date(2026, 6, 9) + timedelta(days=rng.randrange(40)),
        )
        first, again = tried(move), tried(move)
        assert first == again, move
        if isinstance(first, MoveRefused):
            if first.nearest_start_at is not None:
                crew = first.nearest_crew_id or move.crew_id
                there = tried(MovePhase(move.phase_id, crew, starts_at=first.nearest_start_at))
                assert not isinstance(there, MoveRefused), move
            continue
        done = moves.accept_move(move=move, now=MONDAY, seen=first.version, shown=first.digest)
        name_state()
        accepted += 1
        assert done.answer.phases == first.phases
        assert done.answer.jobs == first.jobs
        assert done.move.plan is not None
        assert done.move.plan.state == problem_of(plan_making.read(now=MONDAY))
    assert accepted >= MOVES_TRIED // 3


def tried(move: MovePhase) -> moves.MoveAnswer | MoveRefused:
    try:
        return moves.try_move(move=move, now=MONDAY)
    except MoveRefused as refused:
        return refused


@pytest.mark.django_db
@pytest.mark.usefixtures("on_monday")
def test_a_second_try_reads_no_work_and_one_after_a_change_does(
    crews: Sequence[Crew], name_state: Callable[[], None]
) -> None:
    frame = Phase.objects.get(job__number="26-001", code="FRAME")

    def reads(day: date) -> bool:
        with CaptureQueriesContext(connection) as asked:
            moves.try_move(move=MovePhase(frame.pk, None, day=day), now=MONDAY)
        return any('FROM "jobs_leanto"' in query["sql"] for query in asked)

    assert reads(date(2026, 7, 6))
    assert not reads(date(2026, 7, 8))
    name_state()
    assert reads(date(2026, 7, 6))


@pytest.mark.django_db
@pytest.mark.usefixtures("on_monday")
def test_every_table_that_is_read_is_looked_at(crews: Sequence[Crew]) -> None:
    with CaptureQueriesContext(connection) as asked:
        at_hand = work_at_hand.read(now=MONDAY)
        plan_making.repaired(at_hand.basis, keep=at_hand.hand.places())
    read = {
        table for query in asked for table in re.findall(r'(?:FROM|JOIN) "(\w+)"', query["sql"])
    }
    # Whether anything was changed since the plan was made is asked at each try.
    assert read - {Booking._meta.db_table, "jobs_change"} <= set(states.tables())


@pytest.mark.services
@pytest.mark.django_db(transaction=True)
def test_the_state_of_the_rows_is_another_when_they_are(on_monday: None) -> None:
    crews = make_firm(crews=2)
    cover_digging(make_job(number="26-001"))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=MONDAY)
    frame = Phase.objects.get(code="FRAME")
    at_first = states.work_state()

    moves.try_move(move=MovePhase(frame.pk, None, day=date(2026, 7, 6)), now=MONDAY)
    assert at_first is not None
    assert states.work_state() == at_first
    with transaction.atomic():
        assert states.work_state() is None

    seen = [at_first]
    for write in (
        lambda: frame.save(update_fields=["pinned_start_at"]),
        lambda: Crew.objects.filter(pk=crews[0].pk).update(size=5),
        lambda: planning.plan_now(now=MONDAY, budget_seconds=0),
        lambda: Booking.objects.filter(plan__status="DRAFT").delete(),
    ):
        write()
        seen.append(states.work_state() or "")
    assert len(set(seen)) == len(seen)


@pytest.mark.django_db
def test_the_state_of_a_file_is_another_whoever_writes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "firm.sqlite3"
    init = "PRAGMA journal_mode=WAL"
    handler = ConnectionHandler(
        {
            "default": {
                "ENGINE": "django.db.backends.sqlite3",
                "NAME": str(path),
                "OPTIONS": {"init_command": init},
            }
        }
    )
    mine = handler["default"]
    monkeypatch.setattr(states, "connection", mine)
    other = sqlite3.connect(path)
    try:
        other.execute("CREATE TABLE job (number TEXT)")
        other.commit()
        at_first = states.work_state()
        assert at_first is not None
        assert states.work_state() == at_first

        other.execute("INSERT INTO job VALUES ('26-001')")
        assert states.work_state() == at_first  # nobody else sees it yet
        other.rollback()
        assert states.work_state() == at_first

        other.execute("INSERT INTO job VALUES ('26-001')")
        other.commit()
        after = states.work_state()
        assert after != at_first

        # All of the log goes into the file, and a new log begins like the first one.
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        other.close()
        mine.close()
        assert states.work_state() not in (None, at_first)
    finally:
        other.close()
        mine.close()
