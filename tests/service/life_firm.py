"""A small firm for hypothesis to live through: its clock, its people, and what a step leaves."""

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import time_machine
from django.apps import apps
from django.db import connection, transaction
from django.test import Client
from django.utils import timezone
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine

from jobs.models import Plan
from tests.factories import AuthorityFactory, OfficeFactory, OwnerFactory, WeatherAreaFactory
from tests.service import life_checks
from tests.service.api import reader
from tests.service.portfolio import MONDAY, make_firm

ANY = st.integers(0, 63)
"""Picks one of the rows that there are."""


class Undo(Exception):  # noqa: N818 - a signal
    """Takes an example's rows back."""


class Firm(RuleBasedStateMachine):
    """A firm of two crews, and what all rules share."""

    def __init__(self) -> None:
        super().__init__()
        self.now = MONDAY
        self.clock = time_machine.travel(self.now, tick=False)
        self.moment = self.clock.start()
        self.rows = transaction.atomic()
        self.rows.__enter__()
        self.record = life_checks.Record()
        self.calendars = life_checks.Calendars()

    def teardown(self) -> None:
        """Leave nothing behind."""
        self.rows.__exit__(Undo, Undo(), None)
        self.clock.stop()

    def open(self) -> None:
        """Enter the firm and its people."""
        self.crews = list(make_firm(crews=2))
        self.office = OfficeFactory()
        self.client = Client()
        self.client.force_login(self.office)
        self.owner = reader(OwnerFactory())
        self.authority = AuthorityFactory()
        self.area = WeatherAreaFactory()

    def refusable(self, call: Callable[[], Any], *refusals: type[Exception]) -> Any:
        """Return what a call gives; where it is refused, nothing may have been stored."""
        before = everything()
        try:
            with transaction.atomic():
                return call()
        except refusals:
            assert everything() == before
            return None

    def fresh(self, plan: Plan | None) -> None:
        """Hold a plan that has just been made against the rows it was made from."""
        if plan is not None:
            life_checks.check_fresh(Plan.objects.get(pk=plan.pk))

    def wait_until(self, moment: datetime) -> None:
        self.now = max(self.now, moment)
        self.moment.move_to(self.now, tick=False)

    def day(self, days: int | None) -> date | None:
        return None if days is None else timezone.localdate(self.now) + timedelta(days=days)


def pick(rows: Any, which: int) -> Any:
    """Return one of the rows, or None if there is none."""
    found = list(rows if rows.query.order_by else rows.order_by("pk"))
    return found[which % len(found)] if found else None


def everything(*labels: str) -> dict[str, list[Any]]:
    """Return every row of the service's own tables as the database has it."""
    rows = {}
    with connection.cursor() as cursor:
        for label in labels or ("jobs", "crews", "inspections"):
            for model in apps.get_app_config(label).get_models():
                table = model._meta.db_table
                cursor.execute(f'SELECT * FROM "{table}" ORDER BY "{model._meta.pk.column}"')
                rows[table] = cursor.fetchall()
    return rows
