"""What can be seen from here: database, broker, disk, and the rows that tell of the rest."""

from __future__ import annotations

import os
import shutil
import socket
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import redis
from django.conf import settings
from django.db import Error, connection
from django.db.migrations.executor import MigrationExecutor
from django.utils import timezone

from jobs.selectors import running

if TYPE_CHECKING:
    from datetime import timedelta

BROKER_TIMEOUT_SECONDS = 1.0
QUEUE = "celery"


@dataclass(frozen=True, slots=True)
class Broker:
    """Whether the broker answers, and how many messages no worker has taken yet."""

    answers: bool
    messages: int | None


@dataclass(frozen=True, slots=True)
class Facts:
    """All that the lines are judged by; `pulse` and `work` are None where the database is down."""

    is_embedded: bool
    host: str
    database_fault: str
    pulse: running.Pulse | None
    work: running.Work | None
    broker: Broker
    clock_off_seconds: int | None
    """By how much this host's clock is ahead of the database's."""
    free_bytes: int
    disk_bytes: int
    migrations: tuple[str, ...]
    """The names of migrations that this version brings and the database has not had."""


def gather() -> Facts:
    """Return what can be seen; it raises nothing where a part is down."""
    fault, pulse, work, pending = "", None, None, ()
    try:
        pending = _pending()
        pulse = running.pulse()
        work = running.work(now=pulse.now)
    except Error as error:
        # The kind alone: what a driver says may hold an address or a name.
        fault = type(error).__name__
    disk = shutil.disk_usage(settings.VAR_DIR)
    return Facts(
        is_embedded=connection.vendor == "sqlite" and not settings.REDIS_URL,
        host=socket.gethostname(),
        database_fault=fault,
        pulse=pulse,
        work=work,
        broker=broker(),
        clock_off_seconds=_seconds(timezone.now() - pulse.now) if pulse else None,
        free_bytes=disk.free,
        disk_bytes=disk.total,
        migrations=pending,
    )


def broker() -> Broker:
    """Ask the broker for its queue, for a second at most."""
    if not settings.REDIS_URL:
        folder = Path(settings.CELERY_BROKER_TRANSPORT_OPTIONS["data_folder_in"])
        if not os.access(folder, os.W_OK):
            return Broker(False, None)
        return Broker(True, sum(name.name.endswith(".msg") for name in os.scandir(folder)))
    client = redis.Redis.from_url(
        settings.REDIS_URL,
        socket_connect_timeout=BROKER_TIMEOUT_SECONDS,
        socket_timeout=BROKER_TIMEOUT_SECONDS,
    )
    try:
        return Broker(True, int(client.llen(QUEUE)))
    except redis.RedisError:
        return Broker(False, None)
    finally:
        client.close()


def _pending() -> tuple[str, ...]:
    """Return what an upgrade has still to do; it is asked first, as old tables break the rest."""
    executor = MigrationExecutor(connection)
    plan = executor.migration_plan(executor.loader.graph.leaf_nodes())
    return tuple(f"{migration.app_label}.{migration.name}" for migration, _ in plan)


def _seconds(span: timedelta) -> int:
    return round(span.total_seconds())
