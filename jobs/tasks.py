"""Celery's door into the services. No decisions are made here."""

from __future__ import annotations

import logging

from celery import shared_task
from celery.exceptions import SoftTimeLimitExceeded
from django.db import OperationalError, transaction
from django.utils import timezone

from crews.selectors import NoFirm
from inspections.models import WeatherArea
from inspections.services import weather
from jobs.models import Heartbeat
from jobs.services import planning

logger = logging.getLogger(__name__)


@shared_task(
    acks_late=True,
    autoretry_for=(OperationalError,),
    retry_backoff=5,
    max_retries=4,
)
def make_plan(*, plan_request_id: int, **_later: object) -> None:
    """Answer one plan request, once, however often the message comes."""
    if not planning.claim(plan_request_id=plan_request_id, now=timezone.now()):
        logger.info("Plan request %s is taken or done", plan_request_id)
        return
    try:
        planning.run_request(plan_request_id=plan_request_id, now=timezone.now())
    except planning.RequestEnded:
        planning.end_cancelled(plan_request_id=plan_request_id, now=timezone.now())
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


@shared_task(
    acks_late=True,
    autoretry_for=(OperationalError,),
    retry_backoff=5,
    max_retries=4,
)
def repair_plan(*, plan_request_id: int, **_later: object) -> None:
    """Answer a wish that field reports made: a repaired draft, then a better one behind it."""
    if not planning.claim(plan_request_id=plan_request_id, now=timezone.now()):
        logger.info("Plan request %s is taken or done", plan_request_id)
        return
    try:
        better = planning.answer_by_repair(plan_request_id=plan_request_id, now=timezone.now())
    except planning.RequestEnded:
        planning.end_cancelled(plan_request_id=plan_request_id, now=timezone.now())
    except OperationalError:
        planning.release(plan_request_id=plan_request_id)
        raise
    except (planning.TooFarAheadError, NoFirm) as reason:
        _park(plan_request_id, str(reason))
    except Exception as fault:
        logger.exception("Plan request %s failed", plan_request_id)
        _park(plan_request_id, f"{type(fault).__name__}: {fault}")
        raise
    else:
        make_plan.delay(plan_request_id=better.pk)


def enqueue_repair(*, plan_request_id: int) -> None:
    """Ask a worker to repair the plan once the transaction is in; as `enqueue_plan`."""

    def send_repair_request() -> None:
        repair_plan.delay(plan_request_id=plan_request_id)

    transaction.on_commit(send_repair_request, robust=True)


def enqueue_plan(*, plan_request_id: int) -> None:
    """
    Ask a worker to plan once the transaction is in.

    A broker that is down is logged, not raised: the row stays QUEUED and the sweep sends it.
    """

    def send_plan_request() -> None:
        make_plan.delay(plan_request_id=plan_request_id)

    transaction.on_commit(send_plan_request, robust=True)


@shared_task(time_limit=60, soft_time_limit=50)
def sweep_plan_requests(**_later: object) -> None:
    """Send again what a dead worker or a lost message left behind. Beat runs it."""
    for plan_request_id in planning.free_stale_requests(now=timezone.now()):
        make_plan.delay(plan_request_id=plan_request_id)


@shared_task(time_limit=60, soft_time_limit=50)
def refresh_weather(**_later: object) -> None:
    """Send one message for each area that has a forecast address. Beat runs it."""
    for area_id in weather.areas_to_refresh():
        refresh_area_weather.delay(area_id=area_id)


@shared_task(time_limit=120, soft_time_limit=100)
def refresh_area_weather(*, area_id: int, **_later: object) -> None:
    """Fetch one area's forecast; what goes wrong is kept at the area."""
    area = WeatherArea.objects.filter(pk=area_id).first()
    if area is not None:
        weather.refresh(area=area, now=timezone.now())


@shared_task(time_limit=30, soft_time_limit=25)
def heartbeat(**_later: object) -> None:
    """Write down that a worker is taking tasks."""
    Heartbeat.objects.update_or_create(name="worker", defaults={"beat_at": timezone.now()})


def _park(plan_request_id: int, error: str) -> None:
    planning.fail(plan_request_id=plan_request_id, error=error, now=timezone.now())
