"""Celery's door into the services. No decisions are made here."""

from __future__ import annotations

import logging
import socket
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TypeVar

from celery import shared_task
from celery.exceptions import SoftTimeLimitExceeded
from django.db import OperationalError, transaction
from django.utils import timezone

from crews.selectors import NoFirm
from inspections.models import WeatherArea
from inspections.services import weather
from jobs.models import TaskRequest
from jobs.selectors.clock import database_now
from jobs.services import (
    forecasting,
    heartbeats,
    leftovers,
    old_drafts,
    outbox,
    planning,
    publishing,
    sign_in,
    task_requests,
)

logger = logging.getLogger(__name__)
Answer = TypeVar("Answer")

# After so many failures in one run the mail server is taken to be down.
MOST_FAILURES = 3
# Messages of a forecast's chunks that are not answered by then are sent again.
CHUNKS_LOST_AFTER = timedelta(minutes=5)


@shared_task(
    acks_late=True,
    autoretry_for=(OperationalError,),
    retry_backoff=5,
    max_retries=4,
)
def make_plan(*, plan_request_id: int, **_later: object) -> None:
    """Answer one plan request, once, however often the message comes."""
    _answer(plan_request_id, planning.run_request)


@shared_task(
    acks_late=True,
    autoretry_for=(OperationalError,),
    retry_backoff=5,
    max_retries=4,
)
def repair_plan(*, plan_request_id: int, **_later: object) -> None:
    """Answer a wish that field reports made: a repaired draft, then a better one behind it."""
    better = _answer(plan_request_id, planning.answer_by_repair)
    if better is not None:
        make_plan.delay(plan_request_id=better.pk)


def _answer(plan_request_id: int, answer: Callable[..., Answer]) -> Answer | None:
    """Return what answers a request, None where it is taken, cancelled or parked with its error."""
    if not planning.claim(plan_request_id=plan_request_id, now=database_now()):
        logger.info("Plan request %s is taken or done", plan_request_id)
        return None
    try:
        return answer(plan_request_id=plan_request_id, now=database_now())
    except planning.RequestEnded:
        planning.end_cancelled(plan_request_id=plan_request_id, now=database_now())
    except OperationalError:
        planning.release(plan_request_id=plan_request_id)
        raise
    except SoftTimeLimitExceeded:
        _park(plan_request_id, "Planning ran past its time limit. Ask again with fewer seconds.")
        raise
    except (planning.TooFarAheadError, NoFirm) as reason:
        _park(plan_request_id, str(reason))
    except Exception as fault:
        logger.exception("Plan request %s failed", plan_request_id)
        _park(plan_request_id, f"{type(fault).__name__}: {fault}")
        raise
    return None


def enqueue_repair(*, plan_request_id: int) -> None:
    """Ask a worker to repair the plan once the transaction is in; as `enqueue_plan`."""

    def send_repair_request() -> None:
        repair_plan.delay(plan_request_id=plan_request_id)

    transaction.on_commit(send_repair_request, robust=True)
    enqueue_task(kind=TaskRequest.Kind.SLIPS, reason="field reports")
    enqueue_task(kind=TaskRequest.Kind.FEEDS, reason="field reports")


def enqueue_plan(*, plan_request_id: int) -> None:
    """
    Ask a worker to plan once the transaction is in.

    A broker that is down is logged, not raised: the row stays QUEUED and the sweep sends it.
    """

    def send_plan_request() -> None:
        make_plan.delay(plan_request_id=plan_request_id)

    transaction.on_commit(send_plan_request, robust=True)


def enqueue_task(*, kind: str, reason: str) -> None:
    """Write down a wish for work, and send it once the transaction is in; as `enqueue_plan`."""
    wanted = task_requests.ask(kind=kind, reason=reason, now=database_now())
    assert wanted is not None
    send_again(task_request_id=wanted.pk)


def send_again(*, task_request_id: int) -> None:
    """Ask a worker for work that is written down, once the transaction is in."""

    def send_task_request() -> None:
        run_task_request.delay(task_request_id=task_request_id)

    transaction.on_commit(send_task_request, robust=True)


@shared_task(acks_late=True)
def run_task_request(*, task_request_id: int, **_later: object) -> None:
    """Do what one request asks for, once, however often the message comes."""
    name = task_requests.claim(task_request_id=task_request_id, now=database_now())
    if name is None:
        logger.info("Task request %s is taken, done or not due", task_request_id)
        return
    kind = TaskRequest.objects.values_list("kind", flat=True).get(pk=task_request_id)
    try:
        task_requests.run(task_request_id=task_request_id, claim=name, now=database_now())
    except Exception as fault:
        logger.exception("Task request %s failed", task_request_id)
        task_requests.put_back(
            task_request_id=task_request_id,
            claim=name,
            error=f"{type(fault).__name__}: {fault}",
            now=database_now(),
        )
    else:
        if kind == TaskRequest.Kind.ODDS:
            _send_chunks(begun_before=database_now())
    waiting = task_requests.next_in_line(kind=kind, now=database_now())
    if waiting is not None:
        send_again(task_request_id=waiting)


@shared_task(
    acks_late=True,
    autoretry_for=(OperationalError,),
    retry_backoff=5,
    max_retries=4,
)
def make_forecast_chunk(*, chunk_id: int, **_later: object) -> None:
    """Make some draws of a forecast, however often the message comes; the last one merges all."""
    try:
        forecasting.make_chunk(chunk_id=chunk_id)
    except forecasting.WorkHasChanged:
        logger.info("The work has changed since the forecast of chunk %s was begun", chunk_id)
        hour = f"{database_now():%Y-%m-%d %H}"
        again = task_requests.ask(
            kind=TaskRequest.Kind.ODDS,
            reason="the work changed while the forecast was made",
            now=database_now(),
            once=f"ODDS again {hour}",
        )
        if again is not None:
            send_again(task_request_id=again.pk)


def _send_chunks(*, begun_before: datetime) -> None:
    for chunk_id in forecasting.open_chunks(begun_before=begun_before):
        make_forecast_chunk.delay(chunk_id=chunk_id)


@shared_task(time_limit=60, soft_time_limit=50)
def sweep_task_requests(**_later: object) -> None:
    """Ask for what is done each morning, and send again what waits. Beat runs it."""
    now = database_now()
    task_requests.ask_for_the_morning(now=now)
    for task_request_id in task_requests.free_stale(now=now):
        run_task_request.delay(task_request_id=task_request_id)
    _send_chunks(begun_before=now - CHUNKS_LOST_AFTER)


@shared_task()
def send_notices(**_later: object) -> None:
    """Send what is due in the outbox, one message a person. Beat runs it."""
    failed = 0
    for person in outbox.people_due(now=database_now()):
        sent = outbox.send_due(person=person, now=database_now())
        failed += bool(sent and sent.error)
        if failed == MOST_FAILURES:
            logger.warning("The mail server fails; the rest waits for the next run")
            return


def enqueue_word_of_new_password(*, user_id: int) -> None:
    """Have a person told that their password was changed, once it is; as `enqueue_plan`."""

    def send_word() -> None:
        tell_of_new_password.delay(user_id=user_id)

    transaction.on_commit(send_word, robust=True)


@shared_task(
    autoretry_for=(OperationalError, OSError), retry_backoff=60, max_retries=5, time_limit=60
)
def tell_of_new_password(*, user_id: int, **_later: object) -> None:
    """Write to whose password is new; a mail server that is away is asked again later."""
    sign_in.tell_of_new_password(user_id=user_id)


@shared_task(time_limit=60, soft_time_limit=50)
def sweep_plan_requests(**_later: object) -> None:
    """Send again what a dead worker or a lost message left behind. Beat runs it."""
    for plan_request_id in planning.free_stale_requests(now=database_now()):
        make_plan.delay(plan_request_id=plan_request_id)


@shared_task(time_limit=120, soft_time_limit=100)
def forget_old_drafts(**_later: object) -> None:
    """Delete drafts that nobody needs any more. Beat runs it."""
    gone = old_drafts.forget_old_drafts(now=database_now())
    if gone:
        logger.info("%s old drafts forgotten", gone)


@shared_task(time_limit=120, soft_time_limit=100)
def forget_leftovers(**_later: object) -> None:
    """Delete what has served its time: ended sessions, files never loaded. Beat runs it."""
    leftovers.forget_leftovers(now=database_now())


@shared_task(time_limit=300, soft_time_limit=280)
def refresh_calendars(**_later: object) -> None:
    """Show in calendars what inspectors, suppliers and forecasts told since. Beat runs it."""
    publishing.refresh_feeds(now=database_now())


@shared_task(time_limit=60, soft_time_limit=50)
def refresh_weather(**_later: object) -> None:
    """Send one message for each area that has a forecast address. Beat runs it."""
    for area_id in weather.areas_to_refresh():
        refresh_area_weather.delay(area_id=area_id)


@shared_task(time_limit=120, soft_time_limit=100)
def refresh_area_weather(*, area_id: int, **_later: object) -> None:
    """Fetch one area's forecast, and compare with the plan if it stops other days."""
    area = WeatherArea.objects.filter(pk=area_id).first()
    if area is not None and weather.refresh_moves_work(area=area, now=database_now()):
        reason = f"the forecast of {area} stops other days"
        enqueue_task(kind=TaskRequest.Kind.SLIPS, reason=reason)


@shared_task(time_limit=30, soft_time_limit=25)
def heartbeat(**_later: object) -> None:
    """Write down that a worker is taking tasks, where, and what its own clock says."""
    heartbeats.beat(host=socket.gethostname(), now=database_now(), own_now=timezone.now())


def _park(plan_request_id: int, error: str) -> None:
    planning.fail(plan_request_id=plan_request_id, error=error, now=database_now())
