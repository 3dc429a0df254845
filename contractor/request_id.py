"""A number for each request and each task, so that all its log lines can be found together."""

import re
import uuid
from collections.abc import Callable
from contextvars import ContextVar

from django.http import HttpRequest, HttpResponse

HEADER = "X-Request-ID"
# What a proxy may hand on: letters that can forge no line of the log.
_USABLE = re.compile(r"[A-Za-z0-9-]{8,64}")

current: ContextVar[str] = ContextVar("request_or_task", default="-")


class RequestIdMiddleware:
    """Gives each request the number that its proxy gave it, or a new one, and tells it back."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """
        Answer with the number in the header, and in every log line on the way.

        The number stays until the next request: a refusal is logged after all middleware is left.
        """
        given = request.headers.get(HEADER, "")
        number = given if _USABLE.fullmatch(given) else uuid.uuid4().hex
        current.set(number)
        response = self.get_response(request)
        response.headers[HEADER] = number
        return response
