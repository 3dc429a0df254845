"""The examples of docs/api.md and docs/start-dates.md, sent as they stand; every parameter told."""

import json
import re
from functools import cache
from typing import Any

import pytest
import time_machine
from django.conf import settings
from drf_spectacular.generators import SchemaGenerator

from jobs.models import FieldReport
from tests.factories import AuthorityFactory, CrewFactory
from tests.service.api import ROOT, make_plan, reader
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.either_database]

DOCS = settings.BASE_DIR / "docs"
API = (DOCS / "api.md").read_text()
_SENDS = ("reports/", "start-dates/", "take-off/", "what-if/")
READS = [
    address
    for address in re.findall(r'"\$GIRTLINE_URL(/api/v1/[^"]*)"$', API, re.MULTILINE)
    if not address.endswith(_SENDS)
]
# Sections that tell the parameters of an address, beside its row.
SECTIONS = {"jobs/": "Jobs", "phases/": "Phases", "learning/": "What finished work has taught"}


@cache
def parameters() -> tuple[tuple[str, dict[str, Any]], ...]:
    """Return each address below the API's own with each parameter that is not of every list."""
    paths = SchemaGenerator().get_schema(public=True)["paths"]
    return tuple(
        (path.removeprefix(ROOT), found)
        for path, methods in paths.items()
        for found in methods.get("get", {}).get("parameters", ())
        if found["in"] == "query" and found["name"] not in ("page", "page_size")
    )


def told_of(address: str) -> str:
    """Return what the page says of an address: its row, and its section where it has one."""
    row = re.search(rf"^\| `GET {re.escape(ROOT + address)}` \|.*$", API, re.MULTILINE)
    assert row is not None, address
    heading = SECTIONS.get(address) or SECTIONS.get(address.split("/")[0] + "/", "")
    section = API.partition(f"### {heading}\n")[2].partition("\n### ")[0] if heading else ""
    return row[0] + section


def test_every_parameter_of_an_address_is_told() -> None:
    asked = [(address, found["name"]) for address, found in parameters()]
    asked = [(address, name) for address, name in asked if name != "ordering"]

    assert len(asked) > 40
    assert [pair for pair in asked if not re.search(rf"`{pair[1]}[`=]", told_of(pair[0]))] == []


def test_every_order_of_a_list_is_told() -> None:
    orders = {
        (address, order.lstrip("-"))
        for address, found in parameters()
        if found["name"] == "ordering"
        for order in found["schema"]["enum"]
    }

    assert len(orders) > 30
    assert [pair for pair in sorted(orders) if f"`{pair[1]}`" not in told_of(pair[0])] == []


def test_every_example_that_reads_is_answered(owner: Any) -> None:
    for number in (1, 2):
        make_plan(id=number, status="DRAFT")
    client = reader(owner)

    answers = {address: client.get(address).status_code for address in READS}

    assert len(answers) > 8
    assert {address: code for address, code in answers.items() if code != 200} == {}


def test_the_report_of_the_document_is_received(office: Any) -> None:
    (body,) = re.findall(r'reports/" --json \'(.*?)\'', API, re.DOTALL)
    asked = json.loads(body)
    with time_machine.travel(MONDAY.replace(hour=17), tick=False):
        make_firm(crews=1)
        CrewFactory(name=asked["crew"])
        make_job(number=asked["job"])

        answer = reader(office).post(f"{ROOT}reports/", asked, format="json").json()

    assert [row["result"] for row in answer["results"]] == ["RECEIVED"]
    assert FieldReport.objects.get().phase.code == asked["phase"]


def test_the_question_for_start_dates_of_the_document_is_answered(owner: Any) -> None:
    page = (DOCS / "start-dates.md").read_text()
    (body,) = re.findall(r"--json '(.*?)'", page, re.DOTALL)
    asked = json.loads(body)
    with time_machine.travel(MONDAY, tick=False):
        make_firm(crews=1)
        AuthorityFactory(name=asked["authority"])

        answer = reader(owner).post(f"{ROOT}start-dates/", asked, format="json")

    assert [row["code"] for row in answer.json()["options"]] == ["AS_DESCRIBED", *asked["options"]]
