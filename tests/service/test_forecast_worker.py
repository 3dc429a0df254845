"""A forecast through the real broker and database: chunks of a worker, merged, as made at once."""

import subprocess

import pytest
from django.utils import timezone

from jobs import tasks
from jobs.models import Forecast, TaskRequest
from jobs.services import forecasting, planning, publishing
from tests.processes import wait_for
from tests.service.portfolio import cover_digging, make_firm, make_job

pytestmark = [pytest.mark.services, pytest.mark.django_db(transaction=True)]


def test_a_worker_makes_the_chunks_and_merges_them_into_the_same_forecast(
    celery_worker_process: subprocess.Popen[bytes],
) -> None:
    make_firm()
    cover_digging(make_job(number="26-001"))
    now = timezone.now()
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)

    tasks.enqueue_task(kind=TaskRequest.Kind.ODDS, reason="a test")
    done = Forecast.objects.filter(status=Forecast.Status.DONE)
    made = wait_for(done.first, "the chunks are merged")

    assert not made.chunks.exists()
    here = forecasting.forecast_now(now=made.as_of, draws=made.draws, seed=made.seed)
    one, two = made.jobs.get(), here.jobs.get()
    assert one.finish_days == two.finish_days
    assert one.drivers == two.drivers
