"""
Fixtures that tests of the service share, and what those need that run on the real services.

With DATABASE_URL set, the whole run uses that server: pytest-django makes a test database there.
"""

import subprocess
import sys
from collections.abc import Callable, Generator, Sequence
from os import environ
from urllib.parse import urlsplit
from uuid import uuid4

import pytest
import time_machine
from django.conf import settings
from django.db import connection

from contractor.celery import app
from contractor.throttling import COUNTS
from crews.models import Crew
from jobs.services import planning, publishing, work_at_hand
from tests.processes import PATIENCE_SECONDS, wait_for
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job


@pytest.fixture
def on_monday() -> Generator[None]:
    """Stop the clock on the Monday of the tests' firm, with no request counted yet."""
    COUNTS.clear()
    with time_machine.travel(MONDAY, tick=False):
        yield


@pytest.fixture
def crews(db: None) -> Sequence[Crew]:
    """Two crews and two jobs, published from Monday on."""
    crews = make_firm(crews=2)
    for number in ("26-001", "26-002"):
        cover_digging(make_job(number=number))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=MONDAY)
    return crews


@pytest.fixture
def name_state(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """Say that the rows are others now; until then a question may stand on those read before."""
    monkeypatch.setattr(work_at_hand, "_kept", {})

    def name() -> None:
        state = uuid4().hex
        monkeypatch.setattr(work_at_hand, "work_state", lambda: state)

    name()
    return name


@pytest.fixture(scope="module")
def celery_worker_process(django_db_setup: None) -> Generator[subprocess.Popen[bytes]]:
    """
    A real worker in a process of its own, on the test database and REDIS_URL.

    Tests that use it are marked `services` and `django_db(transaction=True)`: the worker sees
    only what is committed.
    """
    app.control.purge()
    worker = subprocess.Popen(
        [
            *(sys.executable, "-m", "celery", "--app", "contractor.celery", "worker"),
            *("--concurrency", "1", "--without-gossip"),
        ],
        env={**environ, "DATABASE_URL": _url_of_test_database(), "LOG_LEVEL": "WARNING"},
        cwd=settings.BASE_DIR,
    )
    try:
        _wait_until_ready(worker)
        yield worker
    finally:
        worker.terminate()
        worker.wait(timeout=PATIENCE_SECONDS)


def _url_of_test_database() -> str:
    # Inside the run, Django has already put the test database's name into the settings.
    name = connection.settings_dict["NAME"]
    return urlsplit(environ["DATABASE_URL"])._replace(path=f"/{name}").geturl()


def _wait_until_ready(worker: subprocess.Popen[bytes]) -> None:
    def answers() -> bool:
        assert worker.poll() is None, f"The worker ended at once with code {worker.returncode}."
        return bool(app.control.ping(timeout=0.5))

    wait_for(answers, "a worker answers")
