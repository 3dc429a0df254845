"""The same reports from many senders at one moment, on PostgreSQL: each is kept once."""

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from uuid import uuid4

import pytest
from django.db import connection

from crews.models import Crew
from jobs.models import FieldReport, Job, Phase, PlanRequest
from jobs.selectors.reports import OFFICE
from jobs.services import planning, publishing
from jobs.services.new_report import NewReport
from jobs.services.reporting import Outcome, take_reports
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = [pytest.mark.services, pytest.mark.django_db(transaction=True)]

EVENING = MONDAY.replace(hour=17)


@pytest.fixture
def job() -> Job:
    make_firm()
    job = make_job(number="26-001")
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=MONDAY)
    return job


def reports_of(job: Job) -> list[NewReport]:
    """Return reports of three phases: hours of a morning, each told four times."""
    crew = Crew.objects.earliest("pk").pk
    phases = [job.phases.get(code=code).pk for code in ("LAYOUT", "DIG", "POSTS")]
    return [
        NewReport(
            id=uuid4(),
            phase_id=phase,
            kind="PROGRESS",
            made_at=MONDAY + timedelta(minutes=30 * number),
            crew_id=crew,
            crew_hours=2.0,
        )
        for phase in phases
        for number in range(4)
    ]


def take(batch: list[NewReport]) -> list[Outcome]:
    try:
        taken = take_reports(reports=batch, who=OFFICE, now=EVENING)
        return [answer.outcome for answer in taken.answers]
    finally:
        connection.close()


def test_twenty_senders_of_the_same_reports_leave_each_once(job: Job) -> None:
    sent = reports_of(job)
    # Every sender in another order, so that they lock the phases in another order too.
    batches = [sent[turn:] + sent[:turn] for turn in range(len(sent))] + [sent[::-1]] * 8

    with ThreadPoolExecutor(20) as senders:
        outcomes = [outcome for answer in senders.map(take, batches) for outcome in answer]

    assert outcomes.count(Outcome.RECEIVED) == len(sent)
    assert outcomes.count(Outcome.ALREADY_RECEIVED) == len(sent) * (len(batches) - 1)
    assert FieldReport.objects.count() == len(sent)
    hours = Phase.objects.filter(code__in=("LAYOUT", "DIG", "POSTS"))
    assert list(hours.values_list("reported_hours", flat=True)) == [8.0] * 3


def test_a_report_sent_alone_by_twenty_makes_one_wish(job: Job) -> None:
    sent = reports_of(job)[:1]
    before = PlanRequest.objects.count()

    with ThreadPoolExecutor(20) as senders:
        list(senders.map(take, [sent] * 20))

    assert PlanRequest.objects.count() == before + 1
