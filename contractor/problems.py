"""
Every error of the API in one shape: problem details.

Source: RFC 9457. `errors` is our extension member: what is wrong, field by field, and the way
out. No problem here means more than its HTTP status, so `type` is always "about:blank"
(section 4.2.1) and `title` is the status's own phrase.
"""

from __future__ import annotations

import logging
import math
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from django.core.exceptions import RequestDataTooBig, TooManyFieldsSent, TooManyFilesSent
from django.core.signals import got_request_exception
from django.db import InterfaceError, OperationalError
from rest_framework.exceptions import APIException
from rest_framework.response import Response
from rest_framework.views import exception_handler

from contractor.trade.errors import Fault, SpecError, value_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

logger = logging.getLogger(__name__)

PROBLEM_JSON = "application/problem+json"
LONGEST_SHOWN = 120
# Above this a number changes when a reader keeps it as a double: RFC 8259 section 6.
LARGEST_EXACT = 2**53


class Refused(APIException):
    """A request that cannot be answered as it stands; carries every fault found."""

    status_code = HTTPStatus.BAD_REQUEST
    default_detail = "The request cannot be answered as it stands; `errors` says what to change."
    default_code = "refused"

    def __init__(self, faults: Iterable[Fault]) -> None:
        super().__init__()
        self.faults = tuple(faults)


class TooLarge(APIException):
    """A body longer than any building takes."""

    status_code = HTTPStatus.REQUEST_ENTITY_TOO_LARGE
    default_code = "too_large"


class DoesNotAnswer(APIException):
    """The database is away or busy, and may be back soon."""

    status_code = HTTPStatus.SERVICE_UNAVAILABLE
    default_detail = "The database does not answer just now. Ask again in a few seconds."
    default_code = "does_not_answer"
    wait = 5


def as_problem(exc: Exception, context: dict[str, Any]) -> Response:
    """Return the problem details that answer an exception raised in a view."""
    if isinstance(exc, SpecError):
        exc = Refused(exc.faults)
    if isinstance(exc, RequestDataTooBig | TooManyFieldsSent | TooManyFilesSent):
        # Django stops reading before any view can say how much it takes.
        exc = TooLarge("The body is larger than any address takes. Send less at once.")
    faults = exc.faults if isinstance(exc, Refused) else ()
    if isinstance(exc, OperationalError | InterfaceError):
        logger.error("The database does not answer", exc_info=exc)
        exc = DoesNotAnswer()
    told = exception_handler(exc, context)
    if told is None:
        return _broken(exc, context)
    detail = told.data.get("detail", "") if isinstance(told.data, dict) else ""
    headers = {
        name: told.headers[name] for name in ("WWW-Authenticate", "Retry-After") if name in told
    }
    return _problem(told.status_code, str(detail), errors_of(faults), headers)


def errors_of(faults: Iterable[Fault]) -> list[dict[str, Any]]:
    """Return faults as the `errors` of a problem."""
    return [
        {
            "field": shown(fault.field),
            "value": shown(fault.value),
            "message": fault.message,
            "remedy": fault.remedy,
        }
        for fault in faults
    ]


def shown(value: object) -> str | int | float | bool | None:
    """Return a value as JSON can carry it back to its sender: short, finite and printable."""
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, float) and math.isfinite(value):
        return value
    if isinstance(value, int) and abs(value) <= LARGEST_EXACT:
        return value
    text = value_text(value) if str(value) else ""
    return text if len(text) <= LONGEST_SHOWN else f"{text[: LONGEST_SHOWN - 1]}…"


def problem(status: int, detail: str, errors: Iterable[Mapping[str, Any]] = ()) -> dict[str, Any]:
    """Return the members of a problem."""
    return {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": int(status),
        "detail": detail,
        "errors": list(errors),
    }


def _broken(exc: Exception, context: Mapping[str, Any]) -> Response:
    """Return the answer to a defect of ours, after telling the log and Django's own listeners."""
    request = context.get("request")
    logger.error("The API failed at %s", getattr(request, "path", "?"), exc_info=exc)
    got_request_exception.send(sender=as_problem, request=request)
    detail = "This is a fault of the service, not of the request. It has been logged."
    return _problem(HTTPStatus.INTERNAL_SERVER_ERROR, detail, [], {})


def _problem(
    status: int, detail: str, errors: list[dict[str, Any]], headers: dict[str, str]
) -> Response:
    body = problem(status, detail, errors)
    return Response(body, status=status, headers=headers, content_type=PROBLEM_JSON)
