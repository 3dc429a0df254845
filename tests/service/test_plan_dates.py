"""Where a job stands, in the words that every door shows."""

from datetime import date, timedelta

import pytest

from jobs.models import Delivery, Job, Phase
from jobs.selectors import plans
from jobs.services import planning, publishing
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

pytestmark = pytest.mark.django_db


def shown(job: Job) -> Job:
    planned = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=planned.pk, now=MONDAY)
    return plans.with_plan_dates(Job.objects.filter(pk=job.pk), now=MONDAY).get()


def test_a_job_waits_for_what_holds_its_next_phase_and_not_for_what_comes_later():
    make_firm()
    job = make_job()
    cover_digging(job)
    job.permit.issued_on, job.permit.expected_on = None, date(2026, 6, 17)
    job.permit.save()
    Delivery.objects.filter(job=job, item="TRUSSES").update(
        arrived_on=None, promised_on=date(2026, 8, 3)
    )

    stage = plans.stage_of(shown(job))

    assert stage.startswith("Waits: permit expected Jun 17")


def test_a_job_that_waits_for_nothing_says_what_comes_next():
    make_firm()
    job = make_job()
    cover_digging(job)

    assert plans.stage_of(shown(job)) == "Next: Layout"


def test_a_job_under_way_shows_how_far_its_phase_is():
    crew = make_firm()[0]
    job = make_job()
    Phase.objects.filter(job=job, code="LAYOUT").update(
        status=Phase.Status.UNDER_WAY,
        crew=crew,
        started_at=MONDAY - timedelta(days=3),
        share_done=0.4,
    )

    assert plans.stage_of(shown(job)) == "Layout 40%"


def test_days_late_count_from_the_promise_to_the_planned_finish():
    make_firm()
    job = make_job(promised_on=date(2026, 6, 8))
    cover_digging(job)

    late = plans.days_late(shown(job))

    assert late is not None
    assert late > 0
    assert plans.promises(plans.published_plan())[0].days_late == late  # type: ignore[arg-type]
