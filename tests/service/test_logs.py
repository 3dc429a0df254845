"""What the logs may not hold: the key that opens a crew's calendar."""

import io
import json
import logging
import os
import subprocess
import sys
from datetime import timedelta
from types import SimpleNamespace
from typing import Any

import pytest
from celery.signals import task_postrun, task_prerun
from django.conf import settings
from django.test import Client
from gunicorn.config import Config

from contractor.access_log import AccessLog
from contractor.logs import JsonFormatter, KeylessFormatter, RefusalsInOneLine

pytestmark = pytest.mark.either_database  # about what is written to logs

KEY = "F2_tdIXfFhpAzLPkcj-uvE1oWmvGcxewloO58R9mIIw"


@pytest.mark.parametrize(
    "path",
    [
        f"/feeds/{KEY}.ics",
        f"/feeds/{KEY}",
        f"/FEEDS/{KEY}.ICS?x=1",
        f"http://a.example/feeds/{KEY}/",
    ],
)
def test_a_line_that_names_a_feed_leaves_its_key_out(path: str) -> None:
    record = logging.LogRecord("django.request", 30, "", 0, "Not Found: %s", (path,), None)

    line = KeylessFormatter("%(levelname)s %(message)s").format(record)

    assert KEY not in line
    assert line.startswith("WARNING Not Found: ")


def test_a_traceback_leaves_it_out_too() -> None:
    try:
        raise ValueError(f"cannot answer /feeds/{KEY}.ics")
    except ValueError as fault:
        told = (type(fault), fault, fault.__traceback__)
    record = logging.LogRecord("django.request", 40, "", 0, "Failed", (), told)

    line = KeylessFormatter().format(record)

    assert KEY not in line
    assert "ValueError: cannot answer /feeds/" in line


def test_all_other_lines_stay_as_they_are() -> None:
    record = logging.LogRecord("girtline", 20, "", 0, "Plan %s published", (7,), None)

    assert KeylessFormatter().format(record) == "Plan 7 published"


def test_every_handler_of_the_service_writes_without_keys() -> None:
    made_by = {
        name: settings.LOGGING["formatters"][handler["formatter"]]["class"]
        for name, handler in settings.LOGGING["handlers"].items()
    }

    assert set(made_by.values()) == {"contractor.logs.KeylessFormatter"}


@pytest.mark.django_db
def test_a_refusal_takes_one_line_whoever_sends_it(stranger: Any) -> None:
    """A host that is not ours, and a page that this person may not open."""
    client = Client()
    client.force_login(stranger)
    (ours,) = (
        handler
        for handler in logging.getLogger().handlers
        if isinstance(handler, logging.StreamHandler)
        and isinstance(handler.formatter, KeylessFormatter)
    )
    written = io.StringIO()
    stream = ours.setStream(written)

    answers = [
        Client().get("/admin/", headers={"Host": "elsewhere.example"}),
        client.get("/api/v1/jobs/"),
        client.get("/phone/"),
    ]
    ours.setStream(stream)

    assert [answer.status_code for answer in answers] == [400, 403, 403]
    lines = written.getvalue().splitlines()
    assert len(lines) == len(answers)
    assert "elsewhere.example" in lines[0]


def test_an_error_of_our_own_keeps_its_traceback() -> None:
    told = (ValueError, ValueError("ours"), None)
    for status, stays in ((500, True), (403, False)):
        record = logging.LogRecord("django.request", 40, "", 0, "Failed", (), told)
        record.status_code = status

        assert RefusalsInOneLine().filter(record)
        assert bool(record.exc_info) == stays


def test_the_access_log_tells_of_the_request_without_the_key() -> None:
    path = f"/feeds/{KEY}.ics"
    environ: dict[str, Any] = {
        "REQUEST_METHOD": "GET",
        "RAW_URI": path,
        "PATH_INFO": path,
        "SERVER_PROTOCOL": "HTTP/1.1",
        "HTTP_REFERER": f"http://a.example{path}",
    }
    answer = SimpleNamespace(status="200 OK", sent=10, headers=[])
    request = SimpleNamespace(headers=[("REFERER", path)])

    log = AccessLog(Config())
    parts = log.atoms(answer, request, environ, timedelta(seconds=1))

    assert parts["r"] == "GET /feeds/… HTTP/1.1"
    assert KEY not in str(parts)


@pytest.mark.django_db
def test_a_line_carries_the_number_of_its_request() -> None:
    answer = Client().get("/admin/nowhere/", headers={"X-Request-ID": "abc-12345678"})
    record = logging.LogRecord("girtline", 20, "", 0, "Plan %s published", (7,), None)

    line = KeylessFormatter("[%(number)s] %(message)s").format(record)

    assert answer.headers["X-Request-ID"] == "abc-12345678"
    assert line == "[abc-12345678] Plan 7 published"


def test_a_line_of_a_worker_carries_the_number_of_its_task() -> None:
    record = logging.LogRecord("girtline", 20, "", 0, "Sent", (), None)

    task_prerun.send(sender=None, task_id="5c1f")
    line = JsonFormatter().format(record)
    task_postrun.send(sender=None, task_id="5c1f")

    assert json.loads(line)["id"] == "5c1f"
    assert json.loads(JsonFormatter().format(record))["id"] == "-"


@pytest.mark.parametrize("form", ["line", "json"])
def test_what_celery_writes_goes_by_the_settings_too(form: str) -> None:
    """In a process of its own, as Celery sets up the log of workers and beat once for each."""
    script = (
        "import django; django.setup()\n"
        "import logging\n"
        "from contractor.celery import app\n"
        "from contractor.request_id import current\n"
        "app.log.setup(loglevel='WARNING')\n"
        "current.set('5c1f')\n"
        f"logging.getLogger('celery.app.trace').info('asked /feeds/{KEY}.ics')\n"
    )

    told = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, "LOG_FORMAT": form, "VAR_DIR": str(settings.VAR_DIR)},
        cwd=settings.BASE_DIR,
        capture_output=True,
        text=True,
        check=True,
    )

    (line,) = told.stderr.splitlines()
    assert KEY not in line
    assert "5c1f" in line
    assert line.startswith("{") == (form == "json")


def test_json_lines_are_without_keys_and_one_line_each() -> None:
    told = "GET /feeds/" + KEY + '.ics "quoted"\nnext'
    record = logging.LogRecord("django.request", 30, "", 0, "%s", (told,), None)

    line = JsonFormatter().format(record)

    assert KEY not in line
    assert "\n" not in line
    assert json.loads(line)["message"].endswith('"quoted"\nnext')


@pytest.mark.parametrize(
    "text",
    [
        f"Authorization: Token {KEY}",
        f"Cookie: sessionid={KEY}; girtline_phone={KEY}",
        f"Authorization: Bearer {KEY}",
    ],
)
def test_headers_and_cookies_leave_their_keys_out(text: str) -> None:
    record = logging.LogRecord("girtline", 20, "", 0, text, (), None)

    assert KEY not in KeylessFormatter().format(record)
