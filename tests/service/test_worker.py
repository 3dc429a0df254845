"""A real worker on the real broker and database."""

import subprocess
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from jobs import tasks
from jobs.models import Heartbeat
from tests.processes import wait_for

pytestmark = [pytest.mark.services, pytest.mark.django_db(transaction=True)]


def test_a_worker_writes_the_heartbeat_that_health_shows(
    celery_worker_process: subprocess.Popen[bytes], client: Client
) -> None:
    tasks.heartbeat.delay()

    beat = wait_for(Heartbeat.objects.filter(name="worker").first, "a heartbeat")

    assert abs(timezone.now() - beat.beat_at) < timedelta(minutes=1)
    assert client.get("/health/").json()["worker"]["state"] == "ok"


def test_redis_answers_health(client: Client) -> None:
    assert client.get("/health/").json()["broker"] == "ok"
