"""A real worker on the real broker and database."""

import subprocess
import time
from datetime import timedelta

import pytest
from django.test import Client
from django.utils import timezone

from jobs import tasks
from jobs.models import Heartbeat

pytestmark = [pytest.mark.services, pytest.mark.django_db(transaction=True)]


def wait_for_beat(*, seconds: float = 20) -> Heartbeat | None:
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if found := Heartbeat.objects.filter(name="worker").first():
            return found
        time.sleep(0.1)
    return None


def test_a_worker_writes_the_heartbeat_that_health_shows(
    celery_worker_process: subprocess.Popen[bytes], client: Client
) -> None:
    tasks.heartbeat.delay()

    beat = wait_for_beat()

    assert beat is not None
    assert abs(timezone.now() - beat.beat_at) < timedelta(minutes=1)
    assert client.get("/health/").json()["worker"]["state"] == "ok"


def test_redis_answers_health(client: Client) -> None:
    assert client.get("/health/").json()["broker"] == "ok"
