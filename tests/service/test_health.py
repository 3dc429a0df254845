"""What `/health/` tells a load balancer."""

from datetime import timedelta
from pathlib import Path

import pytest
from django.db import OperationalError, connection
from django.test import Client
from django.utils import timezone

from jobs.models import Heartbeat

pytestmark = pytest.mark.django_db


def beat(*, minutes_ago: float) -> None:
    Heartbeat.objects.create(name="worker", beat_at=timezone.now() - timedelta(minutes=minutes_ago))


def test_a_web_process_alone_is_healthy(client: Client) -> None:
    response = client.get("/health/")

    assert response.status_code == 200
    assert response.json() == {
        "database": "ok",
        "broker": "ok",
        "queue_messages": response.json()["queue_messages"],
        "worker": {"state": "never seen", "age_seconds": None, "clock_off_seconds": None},
        "oldest_unsent_notice_seconds": 0,
    }


def test_the_age_of_the_last_heartbeat_is_told(client: Client) -> None:
    beat(minutes_ago=2)

    response = client.get("/health/")

    assert response.status_code == 200
    assert response.json()["worker"]["state"] == "ok"
    assert response.json()["worker"]["age_seconds"] == pytest.approx(120, abs=5)


def test_a_worker_silent_for_over_five_minutes_turns_it_red(client: Client) -> None:
    beat(minutes_ago=6)

    response = client.get("/health/")

    assert response.status_code == 503
    assert response.json()["worker"]["state"] == "silent"


def test_a_database_that_is_down_turns_it_red(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse() -> None:
        raise OperationalError("no route to host db-1, password was hunter2")

    monkeypatch.setattr(connection, "ensure_connection", refuse)

    response = client.get("/health/")

    assert response.status_code == 503
    assert response.json()["database"] == "down"
    assert b"hunter2" not in response.content


def test_a_broker_that_is_down_is_told_and_is_no_reason_to_restart(
    client: Client, settings: pytest.FixtureRequest
) -> None:
    settings.REDIS_URL = "redis://127.0.0.1:1/0"

    response = client.get("/health/")

    assert response.status_code == 200
    assert response.json()["broker"] == "down"


def test_messages_that_nobody_has_taken_are_counted(
    client: Client, settings: pytest.FixtureRequest, tmp_path: Path
) -> None:
    settings.REDIS_URL = ""
    settings.CELERY_BROKER_TRANSPORT_OPTIONS = {"data_folder_in": str(tmp_path)}
    (tmp_path / "1_a.celery.msg").write_text("{}")

    assert client.get("/health/").json()["queue_messages"] == 1


def test_it_only_answers_questions(client: Client) -> None:
    asked = client.head("/health/")

    assert (asked.status_code, asked.content) == (200, b"")
    for method in ("post", "put", "patch", "delete"):
        assert getattr(client, method)("/health/").status_code == 405


def test_whoever_watches_by_head_sees_that_it_is_red(client: Client) -> None:
    beat(minutes_ago=6)

    assert client.head("/health/").status_code == 503


def test_no_copy_of_the_answer_is_kept(client: Client) -> None:
    assert "no-store" in client.get("/health/")["Cache-Control"]


@pytest.mark.django_db(transaction=True)
def test_asking_costs_three_queries_at_most(client: Client, django_assert_max_num_queries) -> None:
    with django_assert_max_num_queries(3):
        client.get("/health/")
