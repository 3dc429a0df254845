"""
The API under bodies and parameters made from its own schema, asked by every role.

No answer is a server error. Source: the checks of schemathesis, an independent reader of OpenAPI
3.0.
"""

from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error

from jobs.services.api_tokens import make_token
from tests import factories
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday", "one_connection")]
PEOPLE = {
    "office": factories.OfficeFactory,
    "owner": factories.OwnerFactory,
    "seller": factories.SellerFactory,
    "lead": factories.CrewLeadFactory,
}
# They plan, which takes seconds each; their bodies have tests of their own.
SLOW = {"/api/v1/start-dates/", "/api/v1/what-if/"}
TRIES = 2
"""Cases for each operation and role: a sweep, which a longer run deepens."""


@pytest.fixture
def one_connection() -> Iterator[None]:
    """Keep a request's end from closing the connection of the test, as Django's own client does."""
    both = (request_started, request_finished)
    for signal in both:
        signal.disconnect(close_old_connections)
    yield
    for signal in both:
        signal.connect(close_old_connections)


@pytest.mark.parametrize("role", list(PEOPLE))
def test_no_role_gets_a_server_error(role: str, monkeypatch: Any):
    monkeypatch.setattr(
        "rest_framework.throttling.SimpleRateThrottle.allow_request", lambda *_: True
    )
    make_firm(crews=1)
    make_job(number="26-500")
    _, owner_key = make_token(user=factories.OwnerFactory(), name="schema", now=MONDAY)
    _, key = make_token(user=PEOPLE[role](), name="fuzz", now=MONDAY)
    schema = schemathesis.openapi.from_wsgi(
        "/api/v1/schema/",
        get_wsgi_application(),
        headers={"Authorization": f"Token {owner_key}"},
    )
    tried = 0
    for found in schema.get_all_operations():
        operation = found.ok()
        if operation.path in SLOW:
            continue
        _try(operation, key)
        tried += 1
    assert tried > 20


def _try(operation: Any, key: str) -> None:
    @given(data=st.data())
    @settings(
        max_examples=TRIES,
        deadline=None,
        derandomize=True,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    def ask(data: Any) -> None:
        case = data.draw(operation.as_strategy())
        case.call_and_validate(
            headers={"Authorization": f"Token {key}"}, checks=[not_a_server_error]
        )

    ask()
