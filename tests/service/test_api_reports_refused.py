"""Bad field reports as a phone sends them, over a socket: what is answered names the way out."""

from datetime import timedelta
from typing import Any
from uuid import uuid4

import httpx
import pytest
from django.utils import timezone

from contractor.throttling import COUNTS
from crews.models import Crew
from jobs.models import FieldReport
from jobs.services.api_tokens import make_token
from tests.factories import OfficeFactory
from tests.service.api import ROOT
from tests.service.portfolio import make_firm, make_job

# Refused by what was sent.
pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.either_database]

LATER = "2999-01-01T07:00:00+00:00"


@pytest.fixture
def client(live_server: Any) -> httpx.Client:
    """The office's client of a firm with one job."""
    COUNTS.clear()
    make_firm(crews=1)
    Crew.objects.update(name="Alder crew")
    make_job(number="26-001")
    _, key = make_token(user=OfficeFactory(), name="tests", now=timezone.now())
    return httpx.Client(base_url=live_server.url + ROOT, headers={"Authorization": f"Token {key}"})


@pytest.mark.parametrize(
    ("given", "field", "value", "remedy"),
    [
        ({"phase": "PAINT"}, "phase", "PAINT", "Enter a phase's code"),
        ({"share_done": 1.4}, "share_done", 1.4, "Enter 0 to 1"),
        ({"made_at": LATER}, "made_at", LATER.replace("T", " "), "Set the clock"),
    ],
)
def test_a_bad_report_is_told_by_field_value_and_remedy(
    client: httpx.Client, given: dict[str, Any], field: str, value: Any, remedy: str
) -> None:
    body = {
        "id": str(uuid4()),
        "job": "26-001",
        "phase": "LAYOUT",
        "crew": "Alder crew",
        "kind": "PROGRESS",
        "share_done": 0.4,
        "made_at": (timezone.now() - timedelta(hours=1)).isoformat(),
        **given,
    }

    with client:
        answer = client.post("reports/", json=body)

    assert answer.status_code == 400
    assert answer.headers["content-type"].startswith("application/problem+json")
    (error,) = answer.json()["errors"]
    assert error["field"] == field
    assert error["value"] == value
    assert error["remedy"].startswith(remedy)
    assert not FieldReport.objects.exists()
