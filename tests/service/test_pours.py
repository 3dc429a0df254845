"""A pour holds what follows it by its own clock; without one the plan goes by what is expected."""

from datetime import date, datetime, timedelta
from typing import Any

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.db.models import Q
from django.test.utils import CaptureQueriesContext

from contractor.trade.phases import COLLAR_CURE
from crews.models import Firm
from inspections.models import POURED_PHASES, Pour, PourReading, StrengthNeed
from inspections.selectors.cure_temps import Climate, KnownAir, firm_climate
from inspections.selectors.pours import (
    NeededStrength,
    NeededStrengths,
    PourClock,
    concrete_of,
    ready_moments,
    strength_needs,
)
from inspections.services.pours import ReadingToComeError, record_reading
from jobs.models import Booking, Delivery, Job, Phase, Plan, PlannedWait
from jobs.selectors.open_work import open_work
from jobs.services import planning
from jobs.services.portfolio import state_of
from tests.factories import PourFactory
from tests.service.portfolio import MONDAY, ZONE, cover_digging, make_firm, make_job

pytestmark = pytest.mark.django_db

JANUARY = datetime(2026, 1, 12, 6, 0, tzinfo=ZONE)
POURED_AT = JANUARY - timedelta(hours=20)
STARTER = NeededStrength(COLLAR_CURE)


def make_poured_job(**columns: Any) -> Job:
    """Return a job on poured collars, its posts set and nothing behind them."""
    job = make_job(foundation="POURED_PIER", **columns)
    cover_digging(job)
    Delivery.objects.filter(job=job).update(arrived_on=date(2026, 1, 2))
    before = ("LAYOUT", "DIG", "HOLE_INSPECTION", "POUR", "POSTS")
    for hours, code in enumerate(reversed(before)):
        done_at = POURED_AT - timedelta(days=hours)
        done = {"status": "DONE", "share_done": 1, "done_at": done_at}
        job.phases.filter(code=code).update(started_at=done_at - timedelta(hours=2), **done)
    return Job.objects.get(pk=job.pk)


def pour_of(job: Job, **columns: Any) -> Pour:
    posts = job.phases.get(code="POSTS")
    return PourFactory(phase=posts, poured_at=POURED_AT, **columns)


def read(pour: Pour, *degf: float, every_hours: float = 12) -> None:
    for number, temp_degf in enumerate(degf):
        taken_at = pour.poured_at + timedelta(hours=every_hours * number)
        PourReading.objects.create(pour=pour, taken_at=taken_at, temp_degf=temp_degf)


def cure_wait(plan: Plan, before: str = "TRUSSES") -> PlannedWait:
    return PlannedWait.objects.get(plan=plan, kind="CURE", before_code=before)


def drafted(now: datetime = JANUARY) -> Plan:
    return planning.plan_now(now=now, budget_seconds=0)


def climate(*means: float, swing: float = 0, known: KnownAir | None = None) -> Climate:
    return Climate(means if len(means) == 12 else means * 12, swing, known)


def clock(pour: Pour, where: Climate) -> PourClock:
    return PourClock(pour, climate=where, zone=ZONE)


def test_without_a_pour_the_wait_runs_from_the_end_of_the_phase_in_expected_ground() -> None:
    make_firm()
    make_poured_job()

    wait = cure_wait(drafted())

    assert wait.basis.startswith("40% of 28-day strength, expected ")
    assert " °F ground on average. " in wait.basis


def test_a_wait_to_come_tells_its_day_and_how_warm_the_ground_is() -> None:
    make_firm()
    make_job(foundation="POURED_PIER")

    wait = cure_wait(planning.plan_now(now=MONDAY, budget_seconds=0))

    ends = wait.ends_at.astimezone(ZONE)
    assert f"expected {ends:%a %b} {ends.day}, {ends:%H:%M} at " in wait.basis
    assert " °F ground on average. Trusses load the poured collars." in wait.basis


def test_a_pour_holds_by_its_own_clock() -> None:
    make_firm()
    job = make_poured_job()
    pour = pour_of(job)
    expected = cure_wait(drafted())
    read(pour, *[35.0] * 30)

    plan = drafted()

    wait = cure_wait(plan)
    trusses = Booking.objects.get(plan=plan, phase__code="TRUSSES")
    assert wait.ends_at > expected.ends_at + timedelta(hours=12)
    assert trusses.starts_at >= wait.ends_at
    assert wait.starts_at == pour.poured_at
    assert "of the concrete poured Sun Jan 11, 10:00" in wait.basis
    assert "at 35 °F on average, measured until" in wait.basis


def test_heated_concrete_frees_the_next_phase_sooner() -> None:
    make_firm()
    job = make_poured_job()
    expected = cure_wait(drafted())

    read(pour_of(job), *[80.0] * 12)

    assert cure_wait(drafted()).ends_at < expected.ends_at


def test_a_high_early_mix_is_ready_sooner_than_an_ordinary_one() -> None:
    make_firm()
    job = make_poured_job()
    pour = pour_of(job)
    ordinary = cure_wait(drafted())
    Pour.objects.filter(pk=pour.pk).update(cement="III")

    assert cure_wait(drafted()).ends_at < ordinary.ends_at


def test_the_last_of_two_parts_holds() -> None:
    make_firm()
    job = make_poured_job()
    pour_of(job, part="holes 1-8")
    first = cure_wait(drafted())
    posts = job.phases.get(code="POSTS")
    PourFactory(phase=posts, poured_at=POURED_AT + timedelta(hours=15), part="holes 9-16")

    assert cure_wait(drafted()).ends_at >= first.ends_at + timedelta(hours=15)


def test_a_part_of_a_phase_under_way_leaves_the_rest_as_expected() -> None:
    make_firm()
    job = make_poured_job()
    job.phases.filter(code="POSTS").update(
        status="UNDER_WAY", done_at=None, share_done=0.5, crew=job.phases.get(code="LAYOUT").crew
    )
    pour_of(job, part="holes 1-8")

    wait = cure_wait(drafted())

    assert wait.starts_at > JANUARY
    assert "of the concrete poured" not in wait.basis


def test_all_of_it_poured_holds_by_its_clock_though_the_phase_is_not_reported_done() -> None:
    make_firm()
    job = make_poured_job()
    job.phases.filter(code="POSTS").update(status="UNDER_WAY", done_at=None, share_done=0.9)
    pour = pour_of(job)

    wait = cure_wait(drafted())

    assert wait.starts_at == pour.poured_at
    assert "of the concrete poured" in wait.basis


def test_a_pour_that_has_its_strength_holds_nothing() -> None:
    make_firm()
    job = make_poured_job()
    read(pour_of(job), *[70.0] * 20)
    later = JANUARY + timedelta(days=10)

    assert not PlannedWait.objects.filter(plan=drafted(later), kind="CURE").exists()


def test_the_same_pour_an_hour_later_is_ready_at_the_same_moment() -> None:
    make_firm()
    read(pour_of(make_poured_job()), 45, 44, 42)

    first, second = (cure_wait(drafted(JANUARY + timedelta(hours=n))) for n in (0, 1))

    assert (first.ends_at, first.basis) == (second.ends_at, second.basis)


def test_a_reading_is_another_state_of_the_work() -> None:
    make_firm()
    pour = pour_of(make_poured_job())

    def state() -> str:
        return state_of(planning.repair(now=JANUARY).portfolio.problem)

    before = state()
    assert state() == before
    read(pour, 34, 33)
    assert state() != before


def test_the_engineers_figure_goes_before_the_firms_and_that_before_the_starters() -> None:
    make_firm()
    job = make_poured_job()
    pour_of(job)
    starter = cure_wait(drafted())
    pair = {"poured_phase": "POSTS", "following_phase": "TRUSSES"}
    StrengthNeed.objects.create(**pair, strength_percent=60, stated_by="the firm")

    firms = cure_wait(drafted())
    StrengthNeed.objects.create(**pair, job=job, strength_percent=25, stated_by="sheet S-2")
    engineers = cure_wait(drafted())

    assert starter.ends_at < firms.ends_at
    assert "60% of 28-day strength (by the firm)" in firms.basis
    assert engineers.ends_at < starter.ends_at
    assert "25% of 28-day strength (by sheet S-2)" in engineers.basis


def test_the_least_hours_stay_unless_they_are_entered_too() -> None:
    job = make_poured_job()
    follows = next(
        gate.follows
        for status in concrete_of(job, climate=climate(60.0), ends={})
        for gate in status.gates
        if gate.follows.after == "TRUSSES"
    )
    pair = {"poured_phase": "POSTS", "following_phase": "TRUSSES", "stated_by": "S-2"}
    row = StrengthNeed.objects.create(**pair, job=job, strength_percent=25)

    kept = NeededStrengths(strength_needs(Q(job=job))).of(job, follows)
    StrengthNeed.objects.filter(pk=row.pk).update(minimum_hours=72)
    given = NeededStrengths(strength_needs(Q(job=job))).of(job, follows)

    assert (kept.need.minimum_hours, given.need.minimum_hours) == (48, 72)


def test_readings_of_the_air_say_nothing_of_concrete_in_the_ground() -> None:
    pour = pour_of(make_poured_job())
    before = clock(pour, climate(50.0)).ready_at(STARTER)
    PourReading.objects.create(pour=pour, taken_at=POURED_AT, temp_degf=-20, of="AIR")

    after = clock(Pour.objects.get(pk=pour.pk), climate(50.0)).ready_at(STARTER)

    assert after == before


def test_a_slab_goes_by_forecast_and_by_its_protection() -> None:
    """Hours below freezing add nothing, so a frosty forecast delays; a cover keeps 50 °F."""
    job = make_job(slab_in=4, foundation="POURED_PIER")
    slab = PourFactory(phase=job.phases.get(code="SLAB"), poured_at=POURED_AT)
    frost = KnownAir(POURED_AT, [20.0] * 48)

    expected = clock(slab, climate(50.0)).ready_at(STARTER)
    frosty = clock(slab, climate(50.0, known=frost)).ready_at(STARTER)
    slab.protected_until = POURED_AT + timedelta(hours=48)
    covered = clock(slab, climate(50.0, known=frost)).ready_at(STARTER)

    assert expected is not None
    assert frosty == expected + timedelta(hours=48)
    assert covered == expected


def test_measured_air_goes_before_the_forecast_for_as_long_as_it_counts() -> None:
    job = make_job(slab_in=4, foundation="POURED_PIER")
    slab = PourFactory(phase=job.phases.get(code="SLAB"), poured_at=POURED_AT)
    PourReading.objects.create(pour=slab, taken_at=POURED_AT, temp_degf=60, of="AIR")
    frost = KnownAir(POURED_AT, [20.0] * 48)

    temps = clock(slab, climate(50.0, known=frost)).air_degc

    assert temps[[0, 5, 6, 47, 48]] == pytest.approx([15.56, 15.56, -6.67, -6.67, 10], abs=0.01)


def test_a_gap_in_the_forecast_is_filled_by_the_climate() -> None:
    slab = Pour(phase=Phase(code="SLAB"), poured_at=POURED_AT)
    known = KnownAir(POURED_AT, [20.0, None, 20.0])

    assert clock(slab, climate(50.0, known=known)).air_degc[:3] == pytest.approx(
        [-6.67, 10, -6.67], abs=0.01
    )


def test_concrete_that_never_gets_there_says_so_and_stops_no_plan() -> None:
    make_firm()
    job = make_poured_job()
    Firm.objects.update(month_temperatures_degf=" ".join(["20"] * 12))
    pour_of(job)

    reasons = {row["phase"]: row["reason"] for row in drafted().unplanned}

    assert "does not reach 17% of 28-day strength within a year" in reasons["FRAME"]


def test_the_plan_reads_pours_in_as_many_queries_for_five_jobs_as_for_one() -> None:
    make_firm()

    def reads() -> int:
        with CaptureQueriesContext(connection) as captured:
            work = open_work(now=JANUARY)
            for job in work.jobs:
                for phase in job.phases.all():
                    if phase.code in POURED_PHASES:
                        [list(pour.readings.all()) for pour in phase.pours.all()]
        return len(captured)

    read(pour_of(make_poured_job()), 40, 41)
    one = reads()
    for _ in range(4):
        read(pour_of(make_poured_job()), 40, 41)

    assert reads() == one


def test_a_jobs_concrete_is_what_is_poured_and_what_is_to_come() -> None:
    job = make_job(foundation="POURED_PIER", slab_in=4)
    phases = {phase.code: phase for phase in job.phases.all()}
    pour_of(job)
    end = JANUARY + timedelta(days=3)
    ends = {phases[code].pk: end for code in ("POUR", "POSTS", "SLAB", "TRUSSES")}

    statuses = concrete_of(job, climate=climate(30.0), ends=ends)

    told = [(status.pour.phase.code, status.is_planned) for status in statuses]
    assert told == [("POSTS", False), ("POUR", True), ("SLAB", True)]
    assert any("Cold weather" in caution for caution in statuses[2].cautions)
    assert [gate.follows.after for gate in statuses[0].gates] == ["FRAME", "TRUSSES"]


def test_a_precast_pier_waits_for_nothing() -> None:
    job = make_job(foundation="PRECAST_PIER")

    ends = {phase.pk: JANUARY for phase in job.phases.all()}

    assert concrete_of(job, climate=climate(30.0), ends=ends) == ()


def test_the_moments_that_count_are_those_of_phases_still_open() -> None:
    pour = pour_of(make_poured_job())
    where = climate(50.0)
    assert len(ready_moments(pour, climate=where)) == 2

    Phase.objects.filter(code="FRAME").update(status="DONE", done_at=JANUARY)

    assert len(ready_moments(pour, climate=where)) == 1


def test_a_reading_sent_twice_is_stored_once() -> None:
    pour = pour_of(make_poured_job())
    given: dict[str, Any] = {"pour_id": pour.pk, "temp_degf": 44.5, "of": "CONCRETE"}

    first, second = (record_reading(**given, taken_at=JANUARY, now=JANUARY) for _ in range(2))

    assert first == second
    assert pour.readings.count() == 1


@pytest.mark.parametrize(
    ("taken_at", "temp_degf", "message"),
    [
        (POURED_AT - timedelta(minutes=1), 50, "before the pour"),
        (JANUARY, 500, "less than or equal to 200"),
    ],
)
def test_a_reading_that_cannot_be_is_refused(
    taken_at: datetime, temp_degf: float, message: str
) -> None:
    pour = pour_of(make_poured_job())

    with pytest.raises(ValidationError, match=message):
        record_reading(
            pour_id=pour.pk, temp_degf=temp_degf, of="AIR", taken_at=taken_at, now=JANUARY
        )

    assert not pour.readings.exists()


def test_another_reading_of_the_same_moment_is_refused() -> None:
    pour = pour_of(make_poured_job())
    given: dict[str, Any] = {"pour_id": pour.pk, "of": "CONCRETE", "taken_at": JANUARY}
    record_reading(**given, temp_degf=44, now=JANUARY)

    with pytest.raises(ValidationError, match="Correct that one"):
        record_reading(**given, temp_degf=45, now=JANUARY)


def test_a_reading_to_come_is_refused() -> None:
    pour = pour_of(make_poured_job())

    with pytest.raises(ReadingToComeError, match="still to come"):
        record_reading(
            pour_id=pour.pk,
            temp_degf=44,
            of="CONCRETE",
            taken_at=JANUARY + timedelta(minutes=1),
            now=JANUARY,
        )


def test_the_firm_has_one_figure_for_two_phases() -> None:
    row = {
        "poured_phase": "SLAB",
        "following_phase": "LINER",
        "strength_percent": 70,
        "stated_by": "firm",
    }
    StrengthNeed.objects.create(**row)

    with pytest.raises(IntegrityError), transaction.atomic():
        StrengthNeed.objects.create(**row)


def test_a_figure_for_phases_that_do_not_wait_is_refused() -> None:
    row = StrengthNeed(
        poured_phase="SLAB", following_phase="FRAME", strength_percent=50, stated_by="S-2"
    )

    with pytest.raises(ValidationError, match="It does not wait for this concrete"):
        row.full_clean()


def test_the_firms_climate_is_read_from_its_row() -> None:
    make_firm()

    found = firm_climate(Firm.objects.get())

    assert found.month_means_degf[0] == 28
    assert found.daily_swing_degf == 18
