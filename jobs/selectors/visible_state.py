"""Which state of the database is seen, told without reading any of it."""

from __future__ import annotations

from django.db import connection


def visible_state() -> str | None:
    """
    Return a name of what is visible; two that are equal see the same rows. None if none is known.

    On PostgreSQL it is the snapshot: which transactions are over and which are not (PostgreSQL 15
    manual, 9.27.13, from memory). Any writing makes another, whichever table it is in. Inside a
    transaction there is none, since what the transaction itself wrote does not change it; nor on
    the embedded database, which has no such name that all processes share.
    """
    if connection.vendor != "postgresql" or connection.in_atomic_block:
        return None
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_current_snapshot()::text")
        state: str = cursor.fetchone()[0]
    return state
