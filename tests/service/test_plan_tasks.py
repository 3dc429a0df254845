"""The planning task: once per request, whatever happens to messages and workers."""

import os
import signal
import subprocess
from datetime import timedelta
from typing import Any

import pytest
from django.db import OperationalError, connection, transaction
from django.utils import timezone
from kombu.exceptions import OperationalError as BrokerDown
from pytest_django import DjangoCaptureOnCommitCallbacks

from crews.models import Firm
from jobs import tasks
from jobs.models import Plan, PlanRequest
from jobs.services import plan_making, planning
from tests.processes import wait_for
from tests.service.portfolio import make_firm, make_job

Status = PlanRequest.Status


def ask() -> PlanRequest:
    return planning.request_plan(reason="a test", now=timezone.now(), budget_seconds=0)


@pytest.mark.django_db
def test_a_message_that_comes_twice_makes_one_plan() -> None:
    make_firm()
    make_job()
    request = ask()

    for _ in range(2):
        tasks.make_plan(plan_request_id=request.pk)

    assert Plan.objects.count() == 1
    request.refresh_from_db()
    assert (request.status, request.progress_percent) == (Status.DONE, 100)


@pytest.mark.django_db
def test_a_request_that_cannot_be_answered_is_parked_with_its_reason() -> None:
    make_firm()
    Firm.objects.all().delete()
    request = ask()

    tasks.make_plan(plan_request_id=request.pk)

    request.refresh_from_db()
    assert request.status == Status.FAILED
    assert "No firm is entered" in request.error


@pytest.mark.django_db
def test_a_parked_request_can_be_tried_again() -> None:
    make_firm()
    request = ask()
    planning.claim(plan_request_id=request.pk, now=timezone.now())
    planning.fail(plan_request_id=request.pk, error="a fault", now=timezone.now())

    assert planning.retry(plan_request_id=request.pk, now=timezone.now())
    tasks.make_plan(plan_request_id=request.pk)

    request.refresh_from_db()
    assert (request.status, request.error) == (Status.DONE, "")


@pytest.mark.django_db
def test_a_defect_is_parked_and_still_raised_for_the_log(monkeypatch: pytest.MonkeyPatch) -> None:
    make_firm()
    request = ask()

    def unsound(**given: Any) -> Plan:
        raise planning.PlanUnsoundError("two crews at once")

    monkeypatch.setattr(planning, "run_request", unsound)
    with pytest.raises(planning.PlanUnsoundError):
        tasks.make_plan(plan_request_id=request.pk)

    request.refresh_from_db()
    assert request.status == Status.FAILED
    assert "two crews at once" in request.error


@pytest.mark.django_db
def test_a_database_that_is_away_for_a_moment_puts_the_request_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    request = ask()

    def away(**given: Any) -> Plan:
        raise OperationalError("server closed the connection")

    monkeypatch.setattr(planning, "run_request", away)
    with pytest.raises(OperationalError):
        tasks.make_plan.run(plan_request_id=request.pk)

    request.refresh_from_db()
    assert request.status == Status.QUEUED


@pytest.mark.django_db
def test_a_broker_that_is_down_leaves_the_request_for_the_sweep(
    monkeypatch: pytest.MonkeyPatch,
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    sent: list[int] = []

    def down(**given: Any) -> None:
        raise BrokerDown("connection refused")

    monkeypatch.setattr(tasks.make_plan, "delay", down)
    with django_capture_on_commit_callbacks(execute=True):
        request = ask()
        tasks.enqueue_plan(plan_request_id=request.pk)
    PlanRequest.objects.update(requested_at=timezone.now() - timedelta(minutes=2))
    monkeypatch.setattr(
        tasks.make_plan, "delay", lambda *, plan_request_id: sent.append(plan_request_id)
    )

    tasks.sweep_plan_requests()

    assert sent == [request.pk]


@pytest.mark.django_db
def test_a_plan_that_fails_to_store_leaves_no_half_of_it(monkeypatch: pytest.MonkeyPatch) -> None:
    make_firm()
    make_job()
    first = planning.plan_now(now=timezone.now(), budget_seconds=0)

    def broken(*given: Any) -> None:
        raise RuntimeError("killed while writing")

    monkeypatch.setattr(plan_making.PlanRows, "waits", broken)
    with pytest.raises(RuntimeError), transaction.atomic():
        planning.plan_now(now=timezone.now(), budget_seconds=0)

    first.refresh_from_db()
    assert list(Plan.objects.all()) == [first]
    assert first.status == Plan.Status.DRAFT


def wait_until(request: PlanRequest, *statuses: str) -> PlanRequest:
    asked = PlanRequest.objects.filter(pk=request.pk, status__in=statuses)
    found: PlanRequest = wait_for(asked.first, f"the request is {' or '.join(statuses)}")
    return found


@pytest.mark.services
@pytest.mark.django_db(transaction=True)
def test_a_real_worker_answers_a_request(
    celery_worker_process: subprocess.Popen[bytes],
) -> None:
    make_firm()
    make_job()
    request = ask()

    tasks.enqueue_plan(plan_request_id=request.pk)

    done = wait_until(request, Status.DONE, Status.FAILED)
    assert (done.status, done.error) == (Status.DONE, "")
    assert done.plan is not None
    assert done.plan.bookings.exists()


@pytest.mark.services
@pytest.mark.django_db(transaction=True)
def test_a_worker_killed_in_mid_plan_loses_nothing(
    celery_worker_process: subprocess.Popen[bytes],
) -> None:
    """The worker's child dies with the request claimed; the sweep sends it again."""
    make_firm()
    make_job()
    before = planning.plan_now(now=timezone.now(), budget_seconds=0)
    request = planning.request_plan(reason="a test", now=timezone.now(), budget_seconds=60)
    tasks.enqueue_plan(plan_request_id=request.pk)
    wait_until(request, Status.RUNNING)
    children = subprocess.run(
        ["ps", "--ppid", str(celery_worker_process.pid), "-o", "pid="],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()

    for child in children:
        os.kill(int(child), signal.SIGKILL)
    PlanRequest.objects.filter(pk=request.pk).update(
        claimed_at=timezone.now() - planning.STALE_AFTER - timedelta(seconds=1),
        requested_at=timezone.now() - timedelta(minutes=12),
        budget_seconds=0,
    )
    tasks.sweep_plan_requests()

    done = wait_until(request, Status.DONE, Status.FAILED)
    assert done.status == Status.DONE
    before.refresh_from_db()
    assert before.status == Plan.Status.REPLACED
    assert Plan.objects.filter(status=Plan.Status.DRAFT).count() == 1
    assert connection.vendor == "postgresql"
