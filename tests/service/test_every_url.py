"""
Every address of the service, taken from its list of URLs: who gets in, and who is turned away.

What to expect is in `address_table`. Source: OWASP ASVS 4.0.3, 4.1.1 to 4.1.3 (access is denied
unless it is given, at every address) and 4.2.2 (forgery of requests), from memory.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver

from contractor.throttling import AnonThrottle
from tests import factories
from tests.service.address_table import ALL, ANONYMOUS, table

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]
# Who is let in is decided by code, of roles that `migrate` writes. The office opens every page on
# each database.
either_database = pytest.mark.either_database


@pytest.fixture(autouse=True)
def unhurried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Count nobody: all addresses are asked within a minute here."""
    monkeypatch.setattr(AnonThrottle, "allow_request", lambda *_: True)


PEOPLE = {
    "o": factories.OfficeFactory,
    "w": factories.OwnerFactory,
    "s": factories.SellerFactory,
    "r": factories.ReadOnlyFactory,
    "l": factories.CrewLeadFactory,
    "x": factories.StrangerFactory,
}
UUID = "3f0c1d1e-7d0f-4a52-9a44-0d9a3c5a8b11"
VALUES = {"int": "987654", "slug": "26-999", "uuid": UUID, "path": "987654", "str": "no-such-key"}
# Addresses told by patterns of their own, with one that fits each.
FITTING = {
    "admin/^(?P<app_label>auth|jobs|crews|inspections)/$": "/admin/jobs/",
    "admin/(?P<url>.*)$": "/admin/nothing-here/",
    "api/v1/^.*/$": "/api/v1/nothing/here/",
    "api/v1/^.*[^/]$": "/api/v1/nothing/here",
    "^api/(?:.*/)?$": "/api/v0/nothing/",
    "admin/jobs/checkedfile/export/<str:form>/": "/admin/jobs/checkedfile/export/csv/",
}
KEY_ADDRESSES = ("buyer/", "feeds/", "phone/")
# Marks of being there, not of anything told: who is signed in, when a key was last used.
TRACES = ("django_session", "auth_user", "jobs_apitoken", "jobs_failedsignin")
# An update by which a key is used up, if there is such a key: it asks and writes in one.
USES_UP = {"phone/enroll/<str:key>/": "crews_phone"}
WRITES = re.compile(r"\s*(?:INSERT INTO|UPDATE|DELETE FROM)\s+\"?(\w+)", re.IGNORECASE)


def routes(resolver: Any, before: str = "") -> Iterator[str]:
    """Yield the route of every view of the service."""
    for pattern in resolver.url_patterns:
        route = before + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from routes(pattern, route)
        else:
            assert isinstance(pattern, URLPattern)
            yield route


EXPECTED = table()
ROUTES = sorted(set(routes(get_resolver())))


def address(route: str) -> str:
    """Return an address that fits a route, of rows that do not exist."""
    if route in FITTING:
        return FITTING[route]
    filled = re.sub(r"<(?:(\w+):)?\w+>", lambda part: VALUES[part[1] or "int"], route)
    assert not re.search(r"[\^$(?]", filled), f"Say in FITTING what fits {route}."
    return f"/{filled}"


def client_of(role: str, **options: Any) -> Client:
    client = Client(raise_request_exception=False, **options)
    if role != ANONYMOUS:
        client.force_login(PEOPLE[role]())
    return client


def is_refused(response: Any) -> bool:
    """Return whether someone is turned away: by a status, or to the page that asks who they are."""
    to_sign_in = response.status_code == 302 and "/admin/login/" in response.headers["Location"]
    return to_sign_in or response.status_code in (401, 403)


@contextmanager
def written() -> Iterator[list[str]]:
    """Collect the tables that are written to."""
    tables: list[str] = []

    def watch(execute: Any, sql: str, *args: Any) -> Any:
        found = WRITES.match(sql)
        if found and found[1] not in TRACES:
            tables.append(found[1])
        return execute(sql, *args)

    with connection.execute_wrapper(watch):
        yield tables


def test_the_table_has_every_address_and_no_other():
    assert sorted(set(ROUTES) - set(EXPECTED)) == [], "say in address_table.py who may open these"
    assert sorted(set(EXPECTED) - set(ROUTES)) == [], "these are gone; take out their lines"


@pytest.mark.parametrize(
    "role", ["o", *(pytest.param(role, marks=either_database) for role in ALL if role != "o")]
)
def test_each_role_opens_what_is_its_own_and_nothing_else(role: str):
    client = client_of(role)
    wrong = []
    for route in ROUTES:
        page = EXPECTED.get(route)
        if page is None or route == "admin/logout/":
            continue  # the first test tells of it; signing out has its own
        response = client.get(address(route))
        status = response.status_code
        if status >= 500:
            wrong.append(f"{route}: {status}")
        elif status == 405:
            continue  # nothing is read here; the writing tests ask by POST
        elif role in page.reads and is_refused(response):
            wrong.append(f"{route}: refused with {status}")
        elif role not in page.reads and not (
            is_refused(response) or (route.startswith(KEY_ADDRESSES) and status == 404)
        ):
            wrong.append(f"{route}: let in with {status}")
    assert not wrong, "\n".join(wrong)


@either_database
@pytest.mark.parametrize("role", ALL)
def test_looking_changes_nothing(role: str):
    client = client_of(role)
    changed = []
    for route in ROUTES:
        if route == "admin/logout/":
            continue
        with written() as tables:
            client.get(address(route))
        if tables:
            changed.append(f"{route}: {sorted(set(tables))}")
    assert changed == []


@either_database
@pytest.mark.parametrize(
    ("role", "method"),
    [*((role, "post") for role in ALL), ("r", "put"), ("r", "patch"), ("r", "delete")],
)
def test_whoever_may_not_write_writes_nothing_by_any_method(role: str, method: str):
    client = client_of(role)
    wrong = []
    for route in ROUTES:
        page = EXPECTED.get(route)
        if page is None or role in page.writes:
            continue
        with written() as tables:
            response = getattr(client, method)(address(route))
        if set(tables) - {USES_UP.get(route)} or response.status_code >= 500:
            wrong.append(f"{route}: {response.status_code} {sorted(set(tables))}")
        hidden = page.writes and role not in page.reads
        if method == "post" and hidden and response.status_code in (200, 201):
            wrong.append(f"{route}: answered as if it had been done")
    assert not wrong, "\n".join(wrong)


@either_database
def test_no_form_is_taken_from_another_site():
    client = client_of("o", enforce_csrf_checks=True)
    taken = []
    for route in ROUTES:
        response = client.post(address(route))
        # Turned away (403), to where a POST is no POST any more (301), or no such method (405).
        turned_away = response.status_code in (301, 403, 404, 405)
        if not turned_away and EXPECTED.get(route, "writes"):
            taken.append(f"{route}: {response.status_code}")
    assert taken == []


@either_database
def test_every_page_says_what_may_run_in_it():
    client = client_of("o")
    bare = [
        route for route in ROUTES if "Content-Security-Policy" not in client.get(address(route))
    ]
    assert bare == []
