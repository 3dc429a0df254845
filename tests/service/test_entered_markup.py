"""
What people enter is shown as text, wherever it comes up again: pages, drawings and fragments.

Every text of every row becomes markup, then every address is asked. Source: OWASP ASVS 4.0.3, 5.3.3
(output is escaped), from memory.
"""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.apps import apps
from django.contrib.auth.models import AbstractUser
from django.db import DatabaseError, models, transaction
from django.test import Client

from crews.services import feed_links, phones
from jobs.models import FieldReport
from jobs.services import buyer_links, forecasting
from tests.service.address_table import table
from tests.service.inspecting import asked, booked, published_job
from tests.service.portfolio import MONDAY, make_job
from tests.service.test_every_url import FITTING, VALUES

# Templates escape, whatever the text was read from.
pytestmark = [
    pytest.mark.django_db,
    pytest.mark.either_database,
    pytest.mark.usefixtures("on_monday"),
]

MARK = "<i id=put>"
ENTERED = f"\"'>{MARK}&amp;"
# What the program itself reads again: markup there would spoil the row and not the page.
READ_BY_US = re.compile(
    r"month_|rain_days|windy|day$|weekdays|windows|state|county|counties|url|sha256|kind"
    r"|repeats|uses|source|event|hash|row|person$|number|code|email|labor_arithmetic|policy"
)


def some_rows() -> dict[str, str]:
    """Return what fills the addresses: the key of a row by the name that routes give it."""
    job = published_job(number="26-500", foundation="POURED_PIER")
    make_job(number="26-501")
    visit = asked(job, "HOLE_INSPECTION", now=MONDAY)
    dig = booked(job, "DIG")
    FieldReport.objects.create(
        phase=dig.phase, kind="NOTE", made_at=MONDAY, received_at=MONDAY, note="Dry"
    )
    forecasting.forecast_now(now=MONDAY, draws=20)
    _, link = phones.invite(crew=dig.crew, person_name="Ada Bright", now=MONDAY)
    _, page = buyer_links.make_link(job=job, reader="Ada Quill", now=MONDAY)
    _, feed = feed_links.subscribe(crew=dig.crew, reader="Ada Bright", now=MONDAY)
    rows = {
        "job_id": job.pk,
        "phase_id": dig.phase_id,
        "plan_id": dig.plan_id,
        "visit_id": visit.pk,
        "delivery_id": job.deliveries.earliest("pk").pk,
        "key": link.rstrip("/").rpartition("/")[2],
        "buyer": page.rstrip("/").rpartition("/")[2],
        "feeds": feed.rpartition("/")[2].removesuffix(".ics"),
    }
    return {name: str(value) for name, value in rows.items()}


def texts_of(model: type[models.Model]) -> list[models.Field[Any, Any]]:
    return [
        field
        for field in model._meta.fields
        if isinstance(field, models.CharField | models.TextField)
        and not field.choices
        and not READ_BY_US.search(field.name)
        and (field.max_length or 100) >= len(ENTERED)
    ]


def enter_markup() -> set[str]:
    """Put markup into every text that people or programs enter; return which were there to take."""
    taken = set()
    for model in apps.get_models():
        if model._meta.app_label not in ("jobs", "crews", "inspections"):
            continue
        for field in texts_of(model):
            for row in model._default_manager.all():
                value = f"{ENTERED}{row.pk}" if field.unique else ENTERED
                try:
                    with transaction.atomic():
                        rows = model._default_manager.filter(pk=row.pk)
                        rows.update(**{field.name: value[: field.max_length]})
                except DatabaseError:
                    continue
                taken.add(f"{model._meta.label}.{field.name}")
    return taken


def address(route: str, rows: dict[str, str]) -> str:
    if route in FITTING:
        return FITTING[route]

    def fill(part: re.Match[str]) -> str:
        kind, name = part[1] or "int", part[2]
        if name == "object_id":
            label, _, model = route.removeprefix("admin/").partition("/")
            found = apps.get_model(label, model.partition("/")[0])._default_manager.first()
            return str(found.pk) if found else "1"
        return rows.get(name, VALUES[kind])

    return "/" + re.sub(r"<(?:(\w+):)?(\w+)>", fill, route)


def test_what_is_entered_as_markup_is_nowhere_shown_as_such(
    office: AbstractUser, owner: AbstractUser
) -> None:
    rows = some_rows()
    clients = {"o": Client(), "w": Client(), "": Client()}
    clients["o"].force_login(office)
    clients["w"].force_login(owner)
    clients[""].post(f"/phone/enroll/{rows['key']}/")
    taken = enter_markup()

    bare, seen = [], 0
    for route, page in sorted(table().items()):
        if route.startswith(("api/", "admin/r/", "admin/logout/")):
            continue
        who = next((letter for letter in "ow" if letter in page.reads), "")
        token = rows["feeds" if route.startswith("feeds/") else "buyer"]
        response = clients[who].get(address(route, {**rows, "token": token}))
        if response.streaming or "html" not in response.get("Content-Type", ""):
            continue
        text = response.content.decode()
        seen += "&lt;i id=put&gt;" in text
        bare += [route] if MARK in text else []

    assert len(taken) > 30
    assert seen > 40
    assert bare == []
