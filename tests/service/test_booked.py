"""Bookings with the rows they stand on: as many queries for many as for one."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from copy import copy
from datetime import timedelta

import pytest
from django.db import connection

from jobs.models import Booking, Job, Phase
from jobs.selectors.booked import with_rows
from jobs.services import planning
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = pytest.mark.django_db

# SQLite takes no more than so many terms joined by OR; PostgreSQL takes any number, and reads
# slowly what it knew to be empty a moment before.
MORE_THAN_SQLITE_JOINS, SOME = 1001, 30


def test_more_bookings_than_sqlite_joins_are_read_with_all_their_rows(
    django_assert_num_queries: Callable[[int], AbstractContextManager[object]],
) -> None:
    count = MORE_THAN_SQLITE_JOINS if connection.vendor == "sqlite" else SOME
    make_firm()
    job = make_job()
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    more = [copy(job) for _ in range(count)]
    for number, row in enumerate(more):
        row.pk, row.number = None, f"27-{number:04d}"
    jobs = Job.objects.bulk_create(more)
    phases = Phase.objects.bulk_create(
        [Phase(job=row, code="LAYOUT", sequence=1, labor_hours=4) for row in jobs]
    )
    begins, ends = MONDAY, MONDAY + timedelta(hours=2)
    Booking.objects.bulk_create(
        [
            Booking(plan=plan, phase=row, starts_at=begins, ends_at=ends, work_hours=2)
            for row in phases
        ]
    )
    bookings = Booking.objects.filter(plan=plan)

    with django_assert_num_queries(4):
        rows = with_rows(bookings)
        told = {(row.phase.job.number, row.phase.code, row.crew and row.crew.name) for row in rows}

    joined = bookings.values_list("phase__job__number", "phase__code", "crew__name")
    assert told == set(joined)
    assert len(rows) > count
