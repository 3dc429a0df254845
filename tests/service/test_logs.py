"""What the logs may not hold: the key that opens a crew's calendar."""

import logging
from datetime import timedelta
from types import SimpleNamespace
from typing import Any

import pytest
from django.conf import settings
from gunicorn.config import Config

from contractor.access_log import AccessLog
from contractor.logs import KeylessFormatter

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
