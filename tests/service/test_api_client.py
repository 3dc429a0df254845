"""The API as a program of the owner's uses it: over a socket, with a token."""

import json
import re
from pathlib import Path
from typing import Any

import httpx
import pytest
import time_machine
from django.conf import settings
from django.utils import timezone

from contractor.throttling import COUNTS
from jobs.services.api_tokens import make_token
from tests.factories import OwnerFactory
from tests.service.api import ROOT, book_all, make_plan, morning
from tests.service.portfolio import MONDAY, make_firm, make_job

# The same answers as elsewhere, over a socket.
pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.either_database]


@pytest.fixture
def client(live_server: Any) -> httpx.Client:
    """A signed-in client of a firm with one planned job."""
    COUNTS.clear()
    with time_machine.travel(MONDAY, tick=False):
        (crew,) = make_firm(crews=1)
        book_all(make_plan(), make_job(number="26-500"), crew, start=morning())
    _, key = make_token(user=OwnerFactory(), name="tests", now=timezone.now())
    return httpx.Client(base_url=live_server.url + ROOT, headers={"Authorization": f"Token {key}"})


def test_the_owner_reads_backlog_and_planned_finishes(client: httpx.Client):
    with client:
        backlog = client.get("backlog/").raise_for_status().json()
        jobs = client.get("jobs/", params={"ordering": "planned_finish"}).raise_for_status().json()

    assert (backlog["jobs"], backlog["not_earned_usd"]) == (1, "48500.00")
    assert [row["planned_finish"][:7] for row in jobs["results"]] == ["2026-06"]


def test_a_client_that_keeps_the_etag_is_sent_nothing_new(client: httpx.Client):
    with client:
        etag = client.get("plans/").headers["ETag"]
        again = client.get("plans/", headers={"If-None-Match": etag})

    assert (again.status_code, again.content) == (304, b"")


def test_without_a_token_nothing_is_told(client: httpx.Client):
    with client:
        response = client.get("backlog/", headers={"Authorization": ""})

    assert response.status_code == 401
    assert response.headers["Content-Type"] == "application/problem+json"


def test_the_python_example_of_the_document_runs(
    client: httpx.Client, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    text = (Path(settings.BASE_DIR) / "docs/api.md").read_text()
    (example,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    monkeypatch.setenv("GIRTLINE_URL", str(client.base_url).removesuffix(ROOT))
    monkeypatch.setenv("GIRTLINE_TOKEN", client.headers["Authorization"].removeprefix("Token "))

    exec(compile(example, "docs/api.md", "exec"), {})

    assert "26-500" in capsys.readouterr().out


def test_the_document_lists_every_address_and_no_other(client: httpx.Client):
    text = (Path(settings.BASE_DIR) / "docs/api.md").read_text()
    told = set(re.findall(r"^\| `(?:GET|POST) (/api/v1/\S+)` \|", text, re.MULTILINE))

    with client:
        known = set(client.get("schema/").raise_for_status().json()["paths"])

    assert told == known | {f"{ROOT}schema/"}


def test_the_building_of_the_document_is_taken_off(client: httpx.Client):
    text = (Path(settings.BASE_DIR) / "docs/api.md").read_text()
    (body,) = re.findall(r"-d '(.*?)'", text, re.DOTALL)

    with client:
        response = client.post(
            "take-off/", content=body, headers={"Content-Type": "application/json"}
        )

    assert response.raise_for_status().json()["labor_hours"] > 0


def test_the_problem_of_the_document_is_told_word_for_word(client: httpx.Client):
    text = (Path(settings.BASE_DIR) / "docs/api.md").read_text()
    (problem,) = re.findall(r"```json\n(.*?)```", text, re.DOTALL)
    door = {"kind": "OVERHEAD_DOOR", "width_ft": 10, "height_ft": 12}
    building = {"use": "SHOP", "width_ft": 30, "length_ft": 40, "eave_ft": 10}

    with client:
        response = client.post(
            "take-off/", json={**building, "foundation": "PRECAST_PIER", "openings": [door]}
        )

    assert response.json() == json.loads(problem)
