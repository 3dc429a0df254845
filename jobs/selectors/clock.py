"""The one clock that all processes share: the database's, where it has one."""

from __future__ import annotations

from datetime import UTC, datetime

from django.db import connection
from django.utils import timezone


def database_now() -> datetime:
    """
    Return the moment by the database server's clock; by this computer's on SQLite.

    Claims, pauses and what is due are told by it, so that a worker whose clock is wrong does
    nothing twice and nothing too early.
    """
    if connection.vendor != "postgresql":
        return timezone.now()
    with connection.cursor() as cursor:
        cursor.execute("SELECT clock_timestamp()")
        moment: datetime = cursor.fetchone()[0]
    return moment.astimezone(UTC)
