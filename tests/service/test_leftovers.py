"""What has served its time goes by itself, and nothing that is still good for something."""

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.contrib.sessions.models import Session

from jobs import tasks
from jobs.models import CheckedFile, FailedSignIn
from jobs.services.leftovers import forget_leftovers
from tests.service.portfolio import MONDAY

pytestmark = pytest.mark.django_db


def rows_of(days: int, by: Any) -> None:
    """Add one row of each kind, of so many days before Monday."""
    at = MONDAY - timedelta(days=days)
    Session.objects.create(session_key=f"of-{days}", session_data="x", expire_date=at)
    CheckedFile.objects.create(batch=uuid4(), name=f"{days}.csv", data=b"x", by=by, checked_at=at)
    FailedSignIn.objects.create(username=f"of-{days}", address="192.0.2.7", failed_at=at)


def test_what_ended_goes_and_what_is_open_stays(office: Any) -> None:
    rows_of(2, office)
    rows_of(0, office)

    assert forget_leftovers(now=MONDAY + timedelta(hours=-1)) == 3

    assert [row.session_key for row in Session.objects.all()] == ["of-0"]
    assert [row.name for row in CheckedFile.objects.all()] == ["0.csv"]
    assert [row.username for row in FailedSignIn.objects.all()] == ["of-0"]


def test_the_clock_asks_for_it_by_the_databases_time(office: Any, settings: Any) -> None:
    asked = {row["task"] for row in settings.CELERY_BEAT_SCHEDULE.values()}
    rows_of(2, office)

    tasks.forget_leftovers()

    assert tasks.forget_leftovers.name in asked
    assert not Session.objects.filter(session_key="of-2").exists()


def test_every_task_that_the_clock_asks_for_is_there(settings: Any) -> None:
    for row in settings.CELERY_BEAT_SCHEDULE.values():
        assert hasattr(tasks, row["task"].removeprefix("jobs.tasks.")), row["task"]
