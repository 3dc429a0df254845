"""What forecasts learn from: finished phases, visits and deliveries, as known at a moment."""

from datetime import date, timedelta
from typing import Any

import pytest

from contractor.trade.errors import SpecError
from crews.models import Crew
from inspections.models import Inspection
from jobs.models import Delivery, DeliveryReport, Job, Phase
from jobs.selectors import history
from jobs.services.left_out import leave_out, take_back
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture
def crew() -> Crew:
    return make_firm()[0]


@pytest.fixture
def job(crew: Crew) -> Job:
    return make_job(number="26-001")


def finish(job: Job, crew: Crew, code: str, *, planned: float, took: float) -> Phase:
    phase = job.phases.get(code=code)
    phase.status, phase.crew, phase.office_hours, phase.reported_hours = "DONE", crew, planned, took
    phase.started_at, phase.done_at = MONDAY - 3 * DAY, MONDAY - 2 * DAY
    phase.save()
    return phase


def test_hours_reported_over_hours_planned_are_the_factor_at_the_crews_pace(
    job: Job, crew: Crew
) -> None:
    crew.pace = 1.25
    crew.save()
    finish(job, crew, "FRAME", planned=50, took=60)

    (work,) = history.finished_work(before=MONDAY)

    # 50 hours at the firm's rates are 40 of this crew.
    assert (work.kind, work.crew) == ("FRAME", str(crew.pk))
    assert work.actual_hours / work.planned_hours == pytest.approx(1.5)


def test_a_part_teaches_by_its_share_of_the_phase(job: Job, crew: Crew) -> None:
    phase = finish(job, crew, "FRAME", planned=20, took=30)
    job.phases.filter(pk=phase.pk).update(parts=2, share_of_whole=0.4)

    (work,) = history.finished_work(before=MONDAY)

    assert (work.share_of_phase, work.actual_hours / work.planned_hours) == (0.4, 1.5)


def test_what_is_not_done_yet_at_the_moment_is_not_known(job: Job, crew: Crew) -> None:
    finish(job, crew, "FRAME", planned=50, took=60)

    assert history.finished_work(before=MONDAY - 2 * DAY) == []


def test_work_that_is_left_out_teaches_nothing_until_it_is_taken_in_again(
    job: Job, crew: Crew, office: Any
) -> None:
    phase = finish(job, crew, "FRAME", planned=50, took=600)

    row = leave_out(phase=phase, reason="The truck burned", now=MONDAY, by=office)
    assert history.finished_work(before=MONDAY) == []
    assert [p.left_out for p in history.finished_phases(before=MONDAY)] == [row]
    assert leave_out(phase=phase, reason="Fire", now=MONDAY).pk == row.pk

    assert take_back(phase=phase, now=MONDAY)
    assert not take_back(phase=phase, now=MONDAY)
    assert len(history.finished_work(before=MONDAY)) == 1


def test_leaving_out_needs_a_reason_and_a_finished_phase(job: Job, crew: Crew) -> None:
    with pytest.raises(SpecError, match="not done"):
        leave_out(phase=job.phases.get(code="ROOF"), reason="Storm", now=MONDAY)
    phase = finish(job, crew, "FRAME", planned=50, took=60)
    with pytest.raises(SpecError, match="reason"):
        leave_out(phase=phase, reason="  ", now=MONDAY)


def test_an_authoritys_visits_are_counted_and_drawn_toward_the_starter(job: Job) -> None:
    authority = job.permit.authority
    phase = job.phases.get(code="HOLE_INSPECTION")
    told = (
        "FAILED",
        "PASSED",
        "ABSENT",
        "PASSED_CORRECTIONS",
        "REQUESTED",
        "CANCELLED_BY_US",
        "TAKEN_BACK",
    )
    for status in told:
        Inspection.objects.create(phase=phase, status=status, requested_at=MONDAY - DAY)

    record = history.experience(before=MONDAY).of_authority(authority.pk)

    assert (record.visits, record.failed, record.absent) == (4, 1, 1)
    assert record.fail_chance == pytest.approx((1 + 2) / (4 + 20))
    assert record.absent_chance == pytest.approx((1 + 1) / (4 + 20))
    unknown = history.experience(before=MONDAY).of_authority(authority.pk + 1)
    assert (unknown.fail_chance, unknown.absent_chance) == (0.1, 0.05)


def test_lateness_counts_from_the_day_first_promised(job: Job) -> None:
    Delivery.objects.filter(job=job).delete()
    arrived = date(2026, 5, 20)
    Delivery.objects.create(
        job=job, item="TRUSSES", supplier="Ash Truss", promised_on=arrived, arrived_on=arrived
    )
    assert history.experience(before=MONDAY).suppliers["Ash Truss"].late == 0
    DeliveryReport.objects.create(
        job=job,
        item="TRUSSES",
        kind="PROMISED",
        told_at=MONDAY - 20 * DAY,
        promised_before=arrived - 5 * DAY,
    )

    known = history.experience(before=MONDAY)

    own = known.suppliers["Ash Truss"]
    assert (own.deliveries, own.late, own.late_days) == (1, 1, 5)
    # Drawn toward all suppliers, those toward the starter: (1 + 3 late) of (1 + 12), counting 6.
    assert known.all_suppliers.chance == pytest.approx(4 / 13)
    assert known.of_supplier("Ash Truss").chance == pytest.approx((1 + 6 * 4 / 13) / 7)
    assert known.of_supplier("Nobody yet").chance == pytest.approx(4 / 13)
