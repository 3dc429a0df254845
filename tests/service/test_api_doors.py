"""The API's door: who may come in, how often, and how it says no."""

import os
import re
import subprocess
import sys
from typing import Any
from urllib.parse import urljoin

import pytest
from django.conf import settings
from django.db import OperationalError
from django.test import Client
from rest_framework.test import APIClient

from contractor.request_rules import LARGEST_BODY_BYTES
from contractor.throttling import AnonThrottle, UserThrottle
from jobs.api import firm
from tests.service.api import ROOT, make_plan, reader
from tests.service.portfolio import MONDAY, make_firm, make_job

# Whom a door lets in and how it says no; test_every_url.py asks each address on both.
pytestmark = [
    pytest.mark.django_db,
    pytest.mark.either_database,
    pytest.mark.usefixtures("on_monday"),
]

BUILDING = {
    "use": "SHOP",
    "width_ft": 30,
    "length_ft": 40,
    "eave_ft": 10,
    "foundation": "PRECAST_PIER",
}
QUESTION = {"question": "WITHOUT_PROMISE", "job": "26-500"}
RESOURCES = (
    "jobs/",
    "jobs/26-500/",
    "jobs/26-500/pours/",
    "phases/",
    "phases/{phase}/",
    "backlog/",
    "crews/",
    "days-off/",
    "lent-people/",
    "set-aside/",
    "callbacks/",
    "plans/",
    "plans/{plan}/",
    "plans/{plan}/comparison/",
    "plans/{plan}/crews/",
    "bookings/",
    "ppc/",
    "holds/",
    "inspections/",
    "ticket-warnings/",
    "call-ahead/",
    "weather/",
    "stopped-crews/",
    "slips/",
    "forecasts/",
    "calibration/",
    "learning/",
    "learning/finished/",
    "start-dates/",
    "take-off/",
    "what-if/",
    "schema/",
)
# Reports are tested at their own doors: leads come in, and some of it is written.
REPORT_RESOURCES = {"reports/", "reports/{report_id}/photos/", "reports/photos/{photo_id}/"}
ANSWER_A_POST = {"start-dates/", "take-off/", "what-if/"}
PROBLEM_MEMBERS = {"type", "title", "status", "detail", "errors"}


def ask(client: APIClient, resource: str) -> Any:
    """Return the answer of a resource in a firm that has one of everything."""
    make_firm(crews=1)
    phase = make_job(number="26-500").phases.first()
    address = ROOT + resource.format(plan=make_plan().pk, phase=phase and phase.pk)
    if resource == "take-off/":
        return client.post(address, BUILDING, format="json")
    if resource == "start-dates/":
        question = {"building": BUILDING, "exempt": True, "options": []}
        return client.post(address, question, format="json")
    if resource == "what-if/":
        return client.post(address, QUESTION, format="json")
    return client.get(address)


@pytest.mark.parametrize("resource", RESOURCES)
def test_the_anonymous_are_asked_to_sign_in(resource: str):
    response = ask(APIClient(), resource)

    assert response.status_code == 401
    assert response.headers["WWW-Authenticate"] == "Token"


@pytest.mark.parametrize("resource", RESOURCES)
def test_a_stranger_is_turned_away(resource: str, stranger: Any):
    response = ask(reader(stranger), resource)

    assert response.status_code == 403
    assert "Ask the office" in response.json()["detail"]


@pytest.mark.parametrize("resource", RESOURCES)
def test_a_crew_lead_is_turned_away(resource: str, lead: Any):
    response = ask(reader(lead), resource)

    assert response.status_code == 403


@pytest.mark.parametrize("resource", RESOURCES)
def test_the_owner_comes_in(resource: str, owner: Any):
    response = ask(reader(owner), resource)

    assert response.status_code == 200


@pytest.mark.parametrize("resource", RESOURCES)
def test_the_office_comes_in(resource: str, office: Any):
    response = ask(reader(office), resource)

    assert response.status_code == 200


def test_a_session_opens_the_api_too(owner: Any):
    client = Client()
    client.force_login(owner)

    response = client.get(f"{ROOT}jobs/")

    assert response.status_code == 200


def test_a_session_without_its_csrf_token_gets_no_answer_to_a_post(owner: Any):
    client = APIClient(enforce_csrf_checks=True)
    client.force_login(owner)

    response = client.post(f"{ROOT}take-off/", BUILDING, format="json")

    assert response.status_code == 403
    assert "CSRF" in response.json()["detail"]


def test_someone_who_left_is_turned_away_with_a_token_that_worked(owner: Any):
    client = reader(owner)
    owner.is_active = False
    owner.save()

    assert client.get(f"{ROOT}jobs/").status_code == 401


def test_nothing_can_be_written(owner: Any):
    response = reader(owner).post(f"{ROOT}jobs/", {"number": "26-001"}, format="json")

    assert response.status_code == 405
    assert response.headers["Allow"] == "GET, HEAD, OPTIONS"


def test_too_many_requests_are_told_when_to_come_again(owner: Any, monkeypatch: Any):
    monkeypatch.setattr(UserThrottle, "THROTTLE_RATES", {"user": "1/min", "anon": "1/min"})
    client = reader(owner)

    client.get(f"{ROOT}jobs/")
    response = client.get(f"{ROOT}jobs/")

    assert response.status_code == 429
    assert response.headers["Retry-After"] == "60"


@pytest.mark.parametrize("headers", [{}, {"Authorization": "Token wrong"}])
def test_who_has_no_sign_in_is_counted_too_whatever_the_sender_says_it_is(
    headers: dict[str, str], monkeypatch: Any
):
    monkeypatch.setattr(AnonThrottle, "THROTTLE_RATES", {"anon": "2/min"})

    answers = [
        Client().get(f"{ROOT}jobs/", headers={**headers, "X-Forwarded-For": f"192.0.2.{number}"})
        for number in range(3)
    ]

    assert [answer.status_code for answer in answers] == [401, 401, 429]
    assert answers[-1].headers["Content-Type"] == "application/problem+json"


def test_requests_to_other_processes_of_the_computer_count_too(owner: Any, monkeypatch: Any):
    monkeypatch.setattr(UserThrottle, "THROTTLE_RATES", {"user": "1/min", "anon": "1/min"})
    script = (
        "import django; django.setup()\n"
        "from django.core.cache import caches\n"
        f"caches['throttle'].set('throttle_user_{owner.pk}', [{MONDAY.timestamp()}], 60)"
    )
    environ = {**os.environ, "VAR_DIR": str(settings.VAR_DIR)}
    subprocess.run([sys.executable, "-c", script], check=True, env=environ)

    assert reader(owner).get(f"{ROOT}jobs/").status_code == 429


@pytest.mark.parametrize("resource", [name for name in RESOURCES if name not in ANSWER_A_POST])
def test_an_unchanged_answer_is_not_sent_again(resource: str, owner: Any):
    client = reader(owner)
    answer = ask(client, resource)

    again = client.get(answer.request["PATH_INFO"], HTTP_IF_NONE_MATCH=answer.headers["ETag"])

    assert again.status_code == 304
    assert again.content == b""


def test_a_changed_answer_is_sent_again(owner: Any):
    client = reader(owner)
    etag = ask(client, "jobs/").headers["ETag"]
    make_job()

    assert client.get(f"{ROOT}jobs/", HTTP_IF_NONE_MATCH=etag).status_code == 200


def test_answers_stay_out_of_shared_caches(owner: Any):
    response = reader(owner).get(f"{ROOT}jobs/")

    assert response.headers["Cache-Control"] == "private, no-cache"
    assert {"Authorization", "Cookie"} <= set(response.headers["Vary"].split(", "))


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("get", "jobs/?status=SOLD", 400),
        ("get", "jobs/26-999/", 404),
        ("get", "plans/99/", 404),
        ("get", "plans/99999999999999999999999/", 404),
        ("get", "nothing/here/", 404),
        ("get", "../", 404),
        ("get", "../v2/jobs/", 404),
        ("put", "take-off/", 405),
        ("get", "plans/99/crews/", 404),
        ("get", "what-if/", 405),
    ],
)
def test_every_refusal_is_a_problem_of_rfc_9457(method: str, path: str, status: int, owner: Any):
    """
    Members and media type as the standard has them.

    Source: RFC 9457, sections 3 and 3.1; with "about:blank" the title is the status's phrase
    (section 4.2.1).
    """
    response = getattr(reader(owner), method)(urljoin(ROOT, path))

    problem = response.json()
    assert response.status_code == problem["status"] == status
    assert response.headers["Content-Type"] == "application/problem+json"
    assert set(problem) == PROBLEM_MEMBERS
    assert problem["type"] == "about:blank"
    assert problem["title"] == response.reason_phrase


def test_a_database_that_does_not_answer_is_told_as_such(owner: Any, monkeypatch: Any):
    def fail(**given: object) -> None:
        raise OperationalError("secret inside")

    monkeypatch.setattr(firm, "backlog", fail)

    response = reader(owner).get(f"{ROOT}backlog/")

    assert response.status_code == 503
    assert int(response.headers["Retry-After"]) > 0
    assert set(response.json()) == PROBLEM_MEMBERS
    assert "secret" not in response.content.decode()


def test_a_body_beyond_all_that_people_send_is_a_problem_too(owner: Any):
    too_long = str(LARGEST_BODY_BYTES + 1)

    response = reader(owner).post(
        f"{ROOT}take-off/", b"{}", content_type="application/json", CONTENT_LENGTH=too_long
    )

    assert response.status_code == 413
    assert response.headers["Content-Type"] == "application/problem+json"
    assert set(response.json()) == PROBLEM_MEMBERS


def test_a_form_of_more_fields_than_anybody_sends_is_a_problem_too(office: Any):
    photos = f"{ROOT}reports/00000000-0000-0000-0000-000000000007/photos/"

    response = reader(office).post(photos, {f"field {n}": "x" for n in range(1001)})

    assert response.status_code == 413
    assert response.headers["Content-Type"] == "application/problem+json"


def test_a_defect_of_ours_is_told_without_its_inside(owner: Any, monkeypatch: Any):
    def fail(**given: object) -> None:
        raise RuntimeError("secret inside")

    monkeypatch.setattr(firm, "backlog", fail)
    client = reader(owner)
    client.raise_request_exception = False

    response = client.get(f"{ROOT}backlog/")

    assert response.status_code == 500
    assert response.headers["Content-Type"] == "application/problem+json"
    assert "secret" not in response.content.decode()


@pytest.mark.parametrize(
    ("method", "path"), [("get", "backlog?x=1"), ("post", "take-off?x=1"), ("put", "reports?x=1")]
)
def test_an_address_without_its_last_slash_is_sent_on_with_all_that_was_sent(
    method: str, path: str, owner: Any
):
    """Source: RFC 9110, section 15.4.9: with 308 neither method nor body may be changed."""
    response = getattr(reader(owner), method)(ROOT + path)

    assert response.status_code == 308
    assert response.headers["Location"] == ROOT + path.replace("?", "/?")


@pytest.mark.parametrize("path", ["nothing", "jobs/26-500/nothing", "phases/x"])
def test_an_address_that_has_nothing_with_its_slash_either_is_told_as_such(path: str, owner: Any):
    response = reader(owner).post(f"{ROOT}{path}", BUILDING, format="json")

    assert response.status_code == 404
    assert set(response.json()) == PROBLEM_MEMBERS


def test_a_body_sent_without_the_last_slash_is_answered_where_it_is_sent_on(owner: Any):
    response = reader(owner).post(f"{ROOT}take-off", BUILDING, format="json", follow=True)

    assert response.redirect_chain == [(f"{ROOT}take-off/", 308)]
    assert response.json()["labor_hours"] > 0


def test_the_root_is_sent_on_to_the_schema(owner: Any):
    response = reader(owner).get(ROOT)

    assert (response.status_code, response.headers["Location"]) == (302, f"{ROOT}schema/")


@pytest.mark.parametrize("name", ["version", "lang", "format"])
def test_the_schema_refuses_parameters_as_all_else_does(owner: Any, name: str):
    response = reader(owner).get(f"{ROOT}schema/", {name: "\0"})

    assert response.status_code == 400
    assert response.json()["errors"][0]["field"] == name


def test_the_schema_names_every_address(owner: Any):
    response = reader(owner).get(f"{ROOT}schema/")

    paths = {path.removeprefix(ROOT) for path in response.json()["paths"]}
    known = {resource.replace("26-500", "{number}") for resource in RESOURCES} - {"schema/"}
    addresses = {re.sub(r"{(plan|phase)}", r"{\1_id}", address) for address in known}
    assert paths == addresses | REPORT_RESOURCES
