"""
Headers, cookies, sessions and passwords as docs/security.md tells them.

Source: OWASP ASVS 4.0.3, chapters 2, 3 and 14.4 (from memory); directives of Content Security
Policy Level 3 (W3C).
"""

import os
import re
import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
import time_machine
from django.conf import settings
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.test import Client, RequestFactory

from contractor.request_rules import LARGEST_BODY_BYTES
from jobs.admin.back import back
from tests.service.api import reader
from tests.service.portfolio import MONDAY

# Headers, cookies and what a request may be: no rows decide them.
pytestmark = [pytest.mark.django_db, pytest.mark.either_database]

PAGE = Path(settings.BASE_DIR / "docs" / "security.md")


def policy(response: Any) -> dict[str, set[str]]:
    """Return the directives of a response's policy."""
    parts = (part.split() for part in response.headers["Content-Security-Policy"].split(";"))
    return {part[0]: set(part[1:]) for part in parts if part}


def test_each_line_of_the_page_names_a_test_that_is_there():
    table = PAGE.read_text().split("## What the standard asks")[0]
    lines = [line.split("|")[1:-1] for line in table.splitlines() if line.startswith("| ")][1:]
    untested = [line[0].strip() for line in lines if not re.search(r"`(tests/|\.ci/run)", line[2])]

    assert len(lines) > 20
    assert untested == []
    for name, test in re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", table):
        path = settings.BASE_DIR / name
        assert path.exists(), name
        assert f"def {test or 'test_'}" in path.read_text(), f"{name}::{test}"


@pytest.mark.parametrize(
    ("asked", "leads_to"),
    [
        ("/admin/desk/#ask", "/admin/desk/#ask"),
        ("https://elsewhere.example/admin/", "/admin/jobs/job/"),
        ("//elsewhere.example/", "/admin/jobs/job/"),
        ("javascript:alert(1)", "/admin/jobs/job/"),
        ("", "/admin/jobs/job/"),
    ],
)
def test_a_button_leads_back_to_our_own_pages_only(asked: str, leads_to: str):
    by_button = RequestFactory().post("/admin/", {"next": asked})
    by_link = RequestFactory().post(f"/admin/?{urlencode({'next': asked})}")

    for request in (by_button, by_link):
        assert back(request, "admin:jobs_job_changelist").headers["Location"] == leads_to


def test_sign_in_leads_on_to_our_own_pages_only(office: Any):
    office.set_password("girts at 24 inches")
    office.save()
    given = {"username": "office", "password": "girts at 24 inches"}

    for asked in ("//elsewhere.example/", "https:elsewhere.example", "\t//elsewhere.example", ""):
        answer = Client().post("/admin/login/", {**given, "next": asked})

        assert answer.headers["Location"] == "/admin/"


@pytest.mark.parametrize("address", ["/admin/login/", "/health/", "/api/v1/jobs/", "/feeds/x.ics"])
def test_nothing_runs_in_a_page_but_our_own_files(address: str):
    told = policy(Client().get(address))

    assert told["default-src"] == {"'none'"}
    assert told["script-src"] == told["style-src"] == {"'self'"}
    assert told["frame-ancestors"] == told["base-uri"] == {"'none'"}
    assert told["form-action"] == {"'self'"}
    assert not any("unsafe" in source for sources in told.values() for source in sources)


def test_headers_keep_browsers_from_guessing_framing_and_telling():
    headers = Client().get("/admin/login/").headers

    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["X-Frame-Options"] == "DENY"
    assert headers["Referrer-Policy"] == "same-origin"


@pytest.mark.parametrize(
    "address", ["/admin/login/", "/health/", "/api/v1/jobs/", "/feeds/x.ics", "/static/crews/x.js"]
)
def test_no_other_site_shows_ours_and_no_page_asks_for_a_camera_or_a_place(address: str):
    headers = Client().get(address).headers

    assert headers["Cross-Origin-Resource-Policy"] == "same-origin"
    assert headers["Cross-Origin-Opener-Policy"] == "same-origin"
    denied = headers["Permissions-Policy"].split(", ")
    assert {"camera=()", "geolocation=()", "microphone=()"} <= set(denied)


@pytest.mark.parametrize("address", ["/admin/login/", "/phone/reports/", "/api/v1/take-off/"])
def test_a_body_beyond_all_that_people_send_is_not_read(address: str):
    too_long = str(LARGEST_BODY_BYTES + 1)

    answer = Client().post(address, b"x", content_type="text/plain", CONTENT_LENGTH=too_long)

    assert answer.status_code == 413


@pytest.mark.parametrize("address", ["take-off", "start-dates", "what-if", "reports"])
@pytest.mark.parametrize("body", [b"[" * 60_000, b"9" * 10_000, b'{"a": 1e999}', b"\xff\xfe\x00"])
def test_json_that_was_made_to_do_harm_is_a_fault_of_the_request(
    address: str, body: bytes, office: Any
):
    client = reader(office)
    client.raise_request_exception = False

    answer = client.post(f"/api/v1/{address}/", body, content_type="application/json")

    assert answer.status_code == 400


@pytest.mark.parametrize(("address", "most_kb"), [("take-off", 64), ("reports", 256)])
def test_no_more_json_is_read_than_a_question_or_fifty_reports_take(
    address: str, most_kb: int, office: Any
):
    for over, status in ((0, 400), (1, 413)):
        body = b" " * (most_kb * 1024 - 2 + over) + b"{}"

        answer = reader(office).post(f"/api/v1/{address}/", body, content_type="application/json")

        assert answer.status_code == status


def test_the_proxy_takes_no_longer_body_than_the_service():
    conf = (settings.BASE_DIR / "docs/deploy/nginx.conf").read_text()

    assert f"client_max_body_size {LARGEST_BODY_BYTES // 1024**2}m;" in conf


def test_over_tls_cookies_are_bound_to_this_host_and_browsers_come_back_by_tls():
    script = (
        "import django; django.setup()\n"
        "from contractor import settings as s\n"
        "from django.test import Client\n"
        "answer = Client().get('/static/none.js', secure=True, headers={'Host': 'localhost'})\n"
        "plain = Client().get('/static/none.js', headers={'Host': 'localhost'})\n"
        "print(s.SESSION_COOKIE_NAME, s.CSRF_COOKIE_NAME, s.SESSION_COOKIE_SECURE)\n"
        "print(answer.headers['Strict-Transport-Security'])\n"
        "print(plain.headers['Location'])"
    )
    told = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, "HTTPS_ONLY": "true", "VAR_DIR": str(settings.VAR_DIR)},
        cwd=settings.BASE_DIR,
        capture_output=True,
        text=True,
        check=True,
    )

    cookies, transport, sent_to = told.stdout.splitlines()
    assert sent_to == "https://localhost/static/none.js"
    assert cookies.split() == ["__Host-sessionid", "__Host-csrftoken", "True"]
    # RFC 6797, section 6.1; a year is what OWASP ASVS 4.0.3, 14.4.5, asks for (from memory).
    assert transport.startswith("max-age=31536000; includeSubDomains")


def test_cookies_are_not_for_scripts_nor_for_other_sites(office: Any):
    office.set_password("girts at 24 inches")
    office.save()
    given = {"username": "office", "password": "girts at 24 inches"}

    cookies = Client().post("/admin/login/", given).cookies

    for name in ("sessionid", "csrftoken"):
        assert cookies[name]["httponly"]
        assert cookies[name]["samesite"] == "Lax"


def test_a_session_is_new_at_sign_in_and_gone_at_sign_out(office: Any):
    office.set_password("girts at 24 inches")
    office.save()
    client = Client()
    # A session that someone else may have put there.
    client.session.save()
    before = client.session.session_key

    client.post("/admin/login/", {"username": "office", "password": "girts at 24 inches"})
    inside = client.session.session_key
    client.post("/admin/logout/")

    assert before != inside
    stolen = Client()
    stolen.cookies["sessionid"] = inside
    assert stolen.get("/admin/").status_code == 302


def test_a_session_that_nobody_signed_in_to_for_a_week_is_over(office: Any):
    client = Client()
    with time_machine.travel(MONDAY, tick=False) as clock:
        client.force_login(office)
        clock.shift(timedelta(days=7) - timedelta(minutes=1))
        before = client.get("/admin/password_change/").status_code
        clock.shift(timedelta(minutes=2))
        after = client.get("/admin/password_change/").status_code

    assert (before, after) == (200, 302)


def test_a_new_password_ends_the_sessions_of_the_old(office: Any):
    client = Client()
    client.force_login(office)

    office.set_password("purlins at 24 inches")
    office.save()

    assert client.get("/admin/").status_code == 302


@pytest.mark.parametrize("password", ["short", "elevenchars", "123456789012", "q1w2e3r4t5y6"])
def test_a_password_that_is_easily_guessed_is_refused(password: str):
    with pytest.raises(ValidationError):
        validate_password(password)


def test_a_request_carries_its_number_or_a_new_one():
    given = Client().get("/health/", headers={"X-Request-ID": "abc-12345678"})
    forged = Client().get("/health/", headers={"X-Request-ID": "a\\nb forged line"})

    assert given.headers["X-Request-ID"] == "abc-12345678"
    assert re.fullmatch("[0-9a-f]{32}", forged.headers["X-Request-ID"])


def test_the_page_tells_the_rates_that_are_kept():
    rates = settings.REST_FRAMEWORK["DEFAULT_THROTTLE_RATES"]
    told = re.search(r"(\d+) a minute for a person, (\d+) from an address", PAGE.read_text())

    assert told is not None
    assert rates == {"user": f"{told[1]}/min", "anon": f"{told[2]}/min"}
