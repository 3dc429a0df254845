"""A job's life in time, as it is read from plans, reports and forecasts."""

from datetime import datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from jobs.admin.job_life import life_of
from jobs.admin.job_panel import panel_of
from jobs.models import Job, Opening, Phase
from jobs.selectors.job_line import job_line
from jobs.selectors.job_notices import job_notices
from jobs.selectors.people import Person
from jobs.services.forecasting import forecast_now
from jobs.services.notices import Line, write
from jobs.services.planning import plan_now
from jobs.services.publishing import publish
from tests.factories import OfficeFactory
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = pytest.mark.django_db


@pytest.fixture
def job() -> Job:
    make_firm()
    return make_job(number="26-001")


def published(now: datetime) -> None:
    plan = plan_now(now=now, budget_seconds=0)
    publish(plan_id=plan.pk, now=now)


def test_the_first_plan_stays_when_another_is_published(job: Job) -> None:
    published(MONDAY)
    first = {row.phase.code: row.published for row in job_line(job, now=MONDAY).phases}
    later = MONDAY + timedelta(days=2)
    published(later)

    lines = job_line(job, now=later).phases

    assert {row.phase.code: row.first for row in lines} == first
    assert lines[0].published is not None
    assert lines[0].published[0] >= later
    assert [row.phase.sequence for row in lines] == sorted(row.phase.sequence for row in lines)


def test_finished_work_keeps_the_booking_it_had_and_tells_how_it_was(job: Job) -> None:
    published(MONDAY)
    end = MONDAY + timedelta(hours=9)
    job.phases.filter(code="LAYOUT").update(
        status=Phase.Status.DONE, started_at=MONDAY, done_at=end, share_done=1
    )
    published(MONDAY + timedelta(days=1))

    layout = job_line(job, now=MONDAY + timedelta(days=1)).phases[0]

    assert layout.published == layout.first is not None
    assert layout.actual == (MONDAY, end)
    assert layout.finish is None


def test_a_phase_that_the_plan_no_longer_has_shows_no_plan(job: Job) -> None:
    published(MONDAY)
    Job.objects.filter(pk=job.pk).update(status=Job.Status.ON_HOLD)
    published(MONDAY + timedelta(days=1))

    assert all(row.published is None for row in job_line(job, now=MONDAY).phases)


def forecast_told(job: Job) -> str:
    return dict(life_of(job, now=MONDAY).facts)["Forecast"]


def test_why_a_job_has_no_forecast_is_told_and_one_of_an_older_plan_is_called_so(job: Job) -> None:
    assert forecast_told(job) == "none before a plan is published"
    published(MONDAY)
    assert forecast_told(job).startswith("none yet. A new one follows")

    forecast_now(now=MONDAY, draws=20)
    assert forecast_told(job).startswith("done by")
    assert "plan before" not in forecast_told(job)
    later = make_job(number="26-002")
    assert "this job was not in that of Mon Jun 1" in forecast_told(later)

    published(MONDAY + timedelta(days=1))
    assert "Of the plan before this one." in forecast_told(job)
    job.status = Job.Status.ON_HOLD
    job.save()
    assert forecast_told(job) == "none: on hold"


def test_two_wide_doors_are_one_caution(job: Job) -> None:
    for _ in range(2):
        Opening.objects.create(job=job, kind="OVERHEAD_DOOR", width_ft=12, height_ft=8)

    panel = panel_of(job, life_of(job, now=MONDAY).dates)

    assert panel.faults == ()
    assert sum("Wider than a bay" in words for words in panel.cautions) == 1


def test_the_page_head_takes_as_many_queries_after_many_plans(job: Job) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            life_of(job, now=MONDAY)
        return len(captured)

    published(MONDAY)
    few = queries()
    for days in (1, 2, 3):
        published(MONDAY + timedelta(days=days))

    assert queries() == few


def test_notices_of_a_number_that_begins_alike_are_not_taken_for_the_jobs(job: Job) -> None:
    user = OfficeFactory(username="told")
    person = Person(f"user:{user.pk}", "Told", "told@example.com", user.pk)
    for number in ("26-001", "26-0011"):
        line = Line(f"Job {number}: Frame, Mon Jun 1", MONDAY)
        write(
            event=f"test:{number}",
            kind="PLAN",
            subject="Your plan",
            lines={person: [line]},
            now=MONDAY,
        )

    (notice,) = job_notices(job)

    assert notice.event == "test:26-001"
