"""Which rows the open work and the plan at hand are seen in, told without reading these rows."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from django.apps import apps
from django.db import connection

from jobs.models import Booking, Plan

if TYPE_CHECKING:
    from collections.abc import Iterator

# What these two are read from, and what has been learned of such work. Bookings stand apart: many
# more are kept than are read.
MODELS = {
    "crews": "Crew DayOff Equipment Firm HolidayYear WorkHours",
    "jobs": (
        "Delivery DeliveryReport Job LaborRate LeadTime LeanTo LeftOutWork LentPeople Opening "
        "Phase Plan SetAside"
    ),
    "inspections": (
        "Authority AuthorityClosure Inspection InspectionRule LocateRule LocateTicket Permit Pour "
        "PourReading SiteReadiness SiteShot StrengthNeed TicketResponse WeatherArea WeatherHour "
        "WeatherLimit"
    ),
}
# The header of the index of SQLite's log, which tells its connections of each other's writing:
# "WAL-mode File Format", section 2.1, from memory.
HEADER_BYTES = 48


def work_state() -> str | None:
    """
    Return a name of what is visible of the open work; None if none is known.

    Two that are equal see the same rows. On PostgreSQL it is made of the versions of all rows, each
    known by its place and by the transaction that wrote it. On the embedded database it is another
    whatever was written. Inside a transaction there is none, which may see rows of its own.
    """
    if connection.in_atomic_block:
        return None
    return _of_rows() if connection.vendor == "postgresql" else _of_file()


def _of_rows() -> str:
    with connection.cursor() as cursor:
        cursor.execute(" UNION ALL ".join(_digests()))
        return repr(cursor.fetchall())


def tables() -> list[str]:
    """Return the tables that are looked at, but that of bookings."""
    return [
        apps.get_model(app, name)._meta.db_table
        for app, names in MODELS.items()
        for name in names.split()
    ]


def _digests() -> Iterator[str]:
    """Yield one statement for each table: its number of rows, and a sum over their versions."""
    plan, booking = Plan._meta.db_table, Booking._meta.db_table
    at_hand = f"WHERE plan_id IN (SELECT id FROM {plan} WHERE status IN ('DRAFT', 'PUBLISHED'))"
    for table, which in [*((table, "") for table in tables()), (booking, at_hand)]:
        version = "hashtextextended(each.xmin::text || each.ctid::text, 0)"
        yield f"SELECT count(*), sum({version})::text FROM {table} AS each {which}"


def _of_file() -> str | None:
    """Return which writing the database's file and its log end with; None where it has no log."""
    with connection.cursor() as cursor:
        # Opens the log, which is gone while nobody has the database open.
        cursor.execute("SELECT count(*) FROM sqlite_master")
        cursor.execute("PRAGMA journal_mode")
        mode = cursor.fetchone()[0]
        cursor.execute("PRAGMA database_list")
        path = next(path for _, name, path in cursor.fetchall() if name == "main")
    if mode != "wal" or not path:
        return None
    try:
        with open(f"{path}-shm", "rb") as index:
            header = index.read(HEADER_BYTES)
        # The log begins anew once all of it is in the file, which is written then.
        file = os.stat(path)
    except OSError:
        return None
    return f"{path} {file.st_mtime_ns} {file.st_size} {header.hex()}"
