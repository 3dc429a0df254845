"""`GET /health/`: whether this process can serve, for a load balancer or a process manager."""

import os
from dataclasses import dataclass
from datetime import timedelta

import redis
from django.conf import settings
from django.db import Error
from django.http import HttpRequest, JsonResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from jobs.models import Heartbeat
from jobs.selectors.clock import database_now
from jobs.services import outbox

HEARTBEAT_LIMIT = timedelta(minutes=5)
BROKER_TIMEOUT_SECONDS = 1.0


@never_cache
@require_safe
def health(request: HttpRequest) -> JsonResponse:
    """
    Return the state of database, broker and worker; 503 when a restart is called for.

    A silent worker counts only if one ever spoke: a web process alone is healthy. The broker does
    not decide: without it people still read and write, and the requests wait in the database.
    """
    known = _known()
    age = known.beat_age if known else None
    worker_ok = age is None or age <= HEARTBEAT_LIMIT
    body = {
        "database": "ok" if known else "down",
        "broker": "ok" if _broker_answers() else "down",
        "worker": {
            "state": "never seen" if age is None else "ok" if worker_ok else "silent",
            "age_seconds": None if age is None else round(age.total_seconds()),
            "clock_off_seconds": known.clock_off_seconds if known else None,
        },
        "oldest_unsent_notice_seconds": known.unsent_seconds if known else None,
    }
    return JsonResponse(body, status=200 if known and worker_ok else 503)


@dataclass(frozen=True, slots=True)
class _Known:
    """What the database tells: ages by its own clock, and how far ahead the worker's is."""

    beat_age: timedelta | None
    clock_off_seconds: int | None
    unsent_seconds: int


def _known() -> _Known | None:
    """Return what the database tells; None where it refuses."""
    try:
        now = database_now()
        beats = dict(Heartbeat.objects.values_list("name", "beat_at"))
        unsent = outbox.oldest_unsent(now=now)
    except Error:
        return None
    beat, clock = beats.get("worker"), beats.get("worker clock")
    return _Known(
        beat_age=now - beat if beat else None,
        clock_off_seconds=round((clock - beat).total_seconds()) if beat and clock else None,
        unsent_seconds=round((now - unsent).total_seconds()) if unsent else 0,
    )


def _broker_answers() -> bool:
    if not settings.REDIS_URL:
        return os.access(settings.CELERY_BROKER_TRANSPORT_OPTIONS["data_folder_in"], os.W_OK)
    client = redis.Redis.from_url(
        settings.REDIS_URL,
        socket_connect_timeout=BROKER_TIMEOUT_SECONDS,
        socket_timeout=BROKER_TIMEOUT_SECONDS,
    )
    try:
        return bool(client.ping())
    except redis.RedisError:
        return False
    finally:
        client.close()
