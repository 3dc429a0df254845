"""A small firm for hypothesis to live through: its clock, its people, and what a step leaves."""

from collections.abc import Callable
from datetime import date, datetime, timedelta
from typing import Any

import time_machine
from django.apps import apps
from django.core.exceptions import ValidationError
from django.db import connection, transaction
from django.test import Client
from django.utils import timezone
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine

from crews.models import Firm as FirmRow
from crews.services import ensure_public_holidays
from jobs.models import Plan
from jobs.services.plan_making import HOLIDAY_YEARS
from tests.factories import (
    AuthorityFactory,
    CrewLeadFactory,
    OfficeFactory,
    OwnerFactory,
    WeatherAreaFactory,
)
from tests.service import life_checks, life_plans
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
        self.pins = life_checks.Pins()
        self.by_hand = False

    def teardown(self) -> None:
        """Leave nothing behind."""
        self.rows.__exit__(Undo, Undo(), None)
        self.clock.stop()

    def open(self, begins: datetime) -> None:
        """Enter the firm and its people."""
        self.wait_until(begins)
        self.crews = list(make_firm(crews=2))
        for number, crew in enumerate(self.crews):
            crew.lead = CrewLeadFactory(email=f"lead{number}@firm.example")
            crew.save()
        self.office = OfficeFactory(email="office@firm.example")
        self.client = Client()
        self.client.force_login(self.office)
        self.owner = reader(OwnerFactory())
        self.authority = AuthorityFactory()
        self.area = WeatherAreaFactory()

    def refusable(self, call: Callable[[], Any], *refusals: type[Exception]) -> Any:
        """Return what a call gives; where it is refused, nothing may have been stored."""
        before = everything()
        try:
            return call()
        except refusals as refusal:
            why = str(refusal)
        assert not changed(before), f"refused ({why}), and stored {changed(before)}"
        return None

    def fresh(self, plan: Plan | None) -> None:
        """Hold a plan that has just been made against the rows it was made from."""
        if plan is not None:
            life_plans.check_fresh(Plan.objects.get(pk=plan.pk))

    def change(self, row: Any, **columns: Any) -> bool:
        """Store a row as a page of the office does; what it refuses is left as it was."""
        for name, value in columns.items():
            setattr(row, name, value)
        try:
            row.full_clean()
        except ValidationError:
            return False
        row.save()
        return True

    def wait_until(self, moment: datetime) -> None:
        self.now = max(self.now, moment)
        self.moment.move_to(self.now, tick=False)
        if FirmRow.objects.exists():
            # Else the first plan of a new year would, and be it one that is refused.
            ensure_public_holidays(years=range(self.now.year, self.now.year + HOLIDAY_YEARS))

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


def changed(before: dict[str, list[Any]]) -> dict[str, list[Any]]:
    """Return the rows that are not as they were, by table."""
    after = everything()
    return {
        table: [row for row in (*rows, *after[table]) if (row in rows) != (row in after[table])]
        for table, rows in before.items()
        if rows != after[table]
    }
