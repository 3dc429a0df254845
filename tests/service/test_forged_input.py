"""
What no page of the admin sends is refused, never a server error: at every admin that there is.

Source: OWASP ASVS 4.0.3, 5.1.3 and 7.4.1 (input is validated; errors are not let through), from
memory. Each value was a server error of Django's own views.
"""

from typing import Any

import pytest
from django.contrib import admin
from django.contrib.admin.options import ModelAdmin
from django.contrib.auth.models import AbstractUser
from django.db.models import Model
from django.test import Client
from django.urls import NoReverseMatch, reverse

from tests.factories import CrewFactory, StrangerFactory

pytestmark = pytest.mark.django_db

NO_KEYS = ("abc", "1.5", "9" * 30, "-" + "9" * 30, "1\0", "²")
ADMINS = sorted(admin.site._registry.items(), key=lambda pair: pair[0]._meta.label_lower)


@pytest.fixture
def anybody(db: None) -> Client:
    """Someone who may open every admin."""
    client = Client(raise_request_exception=False)
    client.force_login(StrangerFactory(is_staff=True, is_superuser=True))
    return client


def address_of(model: type[Model], what: str, *args: Any) -> str:
    try:
        return reverse(f"admin:{model._meta.app_label}_{model._meta.model_name}_{what}", args=args)
    except NoReverseMatch:  # files are checked on a page of their own
        return ""


def searched(model_admin: ModelAdmin) -> list[str]:
    """Return the names by which a form sends rows that are found by searching."""
    names = list(model_admin.autocomplete_fields)
    for below in model_admin.inlines:
        to_this = next(
            field
            for field in below.model._meta.get_fields()
            if field.concrete and field.related_model is model_admin.model
        )
        prefix = to_this.remote_field.get_accessor_name()
        names += [f"{prefix}-0-{name}" for name in below.autocomplete_fields]
    return names


FIELDS = [(model, name) for model, shown in ADMINS for name in searched(shown)]


@pytest.mark.either_database
def test_an_empty_field_to_find_a_row_by_is_refused(anybody: Client) -> None:
    wrong = []
    for model, _ in ADMINS:
        for what, args in (("delete", ["1"]), ("change", ["1"]), ("add", [])):
            address = address_of(model, what, *args)
            if not address:
                continue
            answers = (
                anybody.get(f"{address}?_to_field="),
                anybody.post(f"{address}?_to_field="),
                anybody.post(address, {"_to_field": ""}),
            )
            wrong += [f"{address}: {one.status_code}" for one in answers if one.status_code != 400]
    assert wrong == []


@pytest.mark.either_database
@pytest.mark.parametrize("lookup", ["number__regex", "notes__iregex"])
def test_no_list_is_narrowed_by_a_pattern(anybody: Client, lookup: str) -> None:
    """A pattern such as (a+)+$ takes years on some texts (CWE-1333)."""
    answer = anybody.get("/admin/jobs/job/", {lookup: "^(a+)+$"})

    assert answer.status_code == 400


def test_a_key_that_is_none_is_refused_and_one_of_no_row_is_told(anybody: Client) -> None:
    wrong = []
    for model, name in FIELDS:
        address = address_of(model, "add")
        for key in NO_KEYS:
            for method in (anybody.get, anybody.post):
                if (status := method(address, {name: key}).status_code) != 400:
                    wrong.append(f"{address} {name} {key!r}: {status}")
        if (status := anybody.post(address, {name: "987654"}).status_code) not in (200, 403):
            wrong.append(f"{address} {name}: {status}")
    assert len(FIELDS) > 10
    assert wrong == []


def test_any_search_of_choices_is_answered(anybody: Client) -> None:
    CrewFactory()
    wrong = []
    for model, _ in ADMINS:
        for field in model._meta.get_fields(include_hidden=True):
            if not field.is_relation:
                continue
            asked = {
                "app_label": model._meta.app_label,
                "model_name": model._meta.model_name,
                "field_name": field.name,
            }
            for more in ({"term": "a"}, {"term": "\0"}, {"page": "x"}, {"page": "9" * 30}):
                answer = anybody.get("/admin/autocomplete/", {**asked, **more})
                if answer.status_code >= 500:
                    wrong.append(f"{asked} {more}: {answer.status_code}")
    assert wrong == []


def test_what_is_refused_tells_a_stranger_nothing(client: Client, stranger: AbstractUser) -> None:
    client.force_login(stranger)

    assert client.get("/admin/jobs/job/1/delete/?_to_field=").status_code == 302
