"""
The API under bodies and parameters made from its own schema, asked by every role and by nobody.

No answer is a server error, and the schema tells no lie: each status, content type and shape is
one that it lists, what it does not allow is refused, what it allows is taken, and what it guards
opens to no one without a token. Source: the checks of schemathesis, an independent reader of
OpenAPI 3.0.
"""

from collections.abc import Iterator
from datetime import timedelta
from os import environ
from typing import Any
from uuid import UUID

import pytest
import schemathesis
from django.core.signals import request_finished, request_started
from django.core.wsgi import get_wsgi_application
from django.db import close_old_connections
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.specs.openapi.checks import (
    allow_header_conformance,
    content_type_conformance,
    ignored_auth,
    negative_data_rejection,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from inspections.models import Inspection
from jobs.models import Booking, Delivery
from jobs.selectors.reports import OFFICE
from jobs.services import planning, proposals, slips
from jobs.services.api_tokens import make_token
from jobs.services.new_report import NewReport
from jobs.services.reporting import take_reports
from tests import factories
from tests.service.inspecting import published_job
from tests.service.portfolio import MONDAY, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday", "one_connection")]
PEOPLE = {
    "office": factories.OfficeFactory,
    "owner": factories.OwnerFactory,
    "seller": factories.SellerFactory,
    "lead": factories.CrewLeadFactory,
    "reader": factories.ReadOnlyFactory,
    "stranger": factories.StrangerFactory,
    "nobody": None,
}
READ_ALL = ("office", "owner")
# They plan, which takes seconds each; their bodies have tests of their own.
SLOW = {"/api/v1/start-dates/", "/api/v1/what-if/"}
TRIES = int(environ.get("API_TRIES", "3"))
"""Cases for each operation of those who read all: a sweep, which a longer run deepens."""
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    negative_data_rejection,
    allow_header_conformance,
    ignored_auth,
]
REPORT = UUID(int=7)


@pytest.fixture
def one_connection() -> Iterator[None]:
    """Keep a request's end from closing the connection of the test, as Django's own client does."""
    both = (request_started, request_finished)
    for signal in both:
        signal.disconnect(close_old_connections)
    yield
    for signal in both:
        signal.connect(close_old_connections)


@pytest.fixture
def known(db: None) -> dict[str, Any]:
    """A firm of which every list has something to show; return what names its rows."""
    job = published_job(number="26-500", foundation="POURED_PIER")
    make_job(number="26-501", material_is_there=False)
    dig = Booking.objects.get(is_live=True, phase__job=job, phase__code="DIG")
    report = NewReport(REPORT, dig.phase_id, "STARTED", MONDAY, crew_id=dig.crew_id)
    take_reports(reports=[report], who=OFFICE, now=MONDAY)
    Inspection.objects.create(
        phase=job.phases.filter(code__contains="INSPECTION")[0], requested_at=MONDAY
    )
    Delivery.objects.filter(job=job, item="TRUSSES").update(
        arrived_on=None, promised_on=(MONDAY + timedelta(days=40)).date()
    )
    slips.compare_published(now=MONDAY + timedelta(minutes=1), trigger="trusses")
    proposals.propose(reason="trusses", now=MONDAY + timedelta(minutes=1))
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    return {"number": "26-500", "plan_id": plan.pk, "report_id": str(REPORT)}


# The office reads all that there is, on both databases; for the others a door is asked.
ROLES = [
    role if role == "office" else pytest.param(role, marks=pytest.mark.either_database)
    for role in PEOPLE
]


@pytest.mark.parametrize("role", ROLES)
def test_the_schema_tells_every_role_no_lie(
    role: str, known: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "rest_framework.throttling.SimpleRateThrottle.allow_request", lambda *_: True
    )
    _, owner_key = make_token(user=factories.OwnerFactory(), name="schema", now=MONDAY)
    schema = schemathesis.openapi.from_wsgi(
        "/api/v1/schema/",
        get_wsgi_application(),
        headers={"Authorization": f"Token {owner_key}"},
    )
    maker = PEOPLE[role]
    headers = {}
    if maker is not None:
        _, key = make_token(user=maker(), name="fuzz", now=MONDAY)
        headers = {"Authorization": f"Token {key}"}
    faults, tried = [], 0
    for found in schema.get_all_operations():
        operation = found.ok()
        if operation.path in SLOW:
            continue
        tried += 1
        try:
            _try(operation, headers, known, tries=TRIES if role in READ_ALL else 1)
        except (AssertionError, FailureGroup) as fault:
            faults.append(f"{operation.method.upper()} {operation.path}: {fault}")
    assert tried > 20
    assert not faults, "\n\n".join(faults)


def _try(operation: Any, headers: dict[str, str], known: dict[str, Any], *, tries: int) -> None:
    @given(data=st.data())
    @settings(
        max_examples=tries,
        deadline=None,
        derandomize=True,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    def ask(data: Any) -> None:
        case = data.draw(operation.as_strategy())
        if data.draw(st.booleans()):  # of a row that there is
            case.path_parameters.update(
                {name: known[name] for name in case.path_parameters if name in known}
            )
        case.call_and_validate(headers=headers, checks=CHECKS)

    ask()
