"""`GET /health/`: whether this process can serve, for a load balancer or a process manager."""

import os
from datetime import datetime, timedelta

import redis
from django.conf import settings
from django.db import Error, connection
from django.http import HttpRequest, JsonResponse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from jobs.models import Heartbeat

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
    database_ok, beat_at = _worker_beat()
    age = None if beat_at is None else timezone.now() - beat_at
    worker_ok = age is None or age <= HEARTBEAT_LIMIT
    body = {
        "database": "ok" if database_ok else "down",
        "broker": "ok" if _broker_answers() else "down",
        "worker": {
            "state": "never seen" if age is None else "ok" if worker_ok else "silent",
            "age_seconds": None if age is None else round(age.total_seconds()),
        },
    }
    return JsonResponse(body, status=200 if database_ok and worker_ok else 503)


def _worker_beat() -> tuple[bool, datetime | None]:
    try:
        connection.ensure_connection()
        beats = Heartbeat.objects.filter(name="worker").values_list("beat_at", flat=True)
        return True, beats.first()
    except Error:
        return False, None


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
