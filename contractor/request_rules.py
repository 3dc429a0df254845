"""What holds for every request: how long its body may be, and what its answer tells browsers."""

from collections.abc import Callable
from http import HTTPStatus

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.views import defaults

from contractor.problems import PROBLEM_JSON, problem

# As the proxy of docs/deploy has it: a photo of 15 MB with its form, or two full workbooks.
LARGEST_BODY_BYTES = 20 * 1024 * 1024
# What no page here ever asks a browser for. Source: Permissions Policy (W3C), its registry.
_UNUSED = ("camera", "display-capture", "geolocation", "microphone", "midi", "payment", "usb")
_TOLD = {
    "Permissions-Policy": ", ".join(f"{feature}=()" for feature in _UNUSED),
    # Other sites may show nothing of ours within theirs (Fetch standard, section 3.7).
    "Cross-Origin-Resource-Policy": "same-origin",
}


class RequestRulesMiddleware:
    """Refuses bodies beyond all that people send, before anything of them is read."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        """
        Answer 413 to a body that is too long, and all else with the headers of `_TOLD`.

        A body without Content-Length is read as empty, so the header is all there is to ask.
        """
        try:
            length = int(request.META.get("CONTENT_LENGTH") or 0)
        except ValueError:
            length = 0
        if length > LARGEST_BODY_BYTES:
            most = LARGEST_BODY_BYTES // 1024**2
            response = _refused(request, f"This is longer than {most} MB. Send less at a time.")
        else:
            response = self.get_response(request)
        for name, value in _TOLD.items():
            response.headers.setdefault(name, value)
        return response


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    """Answer what is refused before any view is asked, such as a host name that is not ours."""
    if _reads_problems(request):
        words = (
            "This cannot be answered: the host name, or what was sent, is none that the service "
            "takes. Ask by the service's own address, and send what its schema says."
        )
        return _problem(HTTPStatus.BAD_REQUEST, words)
    return defaults.bad_request(request, exception)


def server_error(request: HttpRequest) -> HttpResponse:
    """Answer where we failed outside of the API's own views."""
    if _reads_problems(request):
        words = "This is a fault of the service, not of the request. It has been logged."
        return _problem(HTTPStatus.INTERNAL_SERVER_ERROR, words)
    return defaults.server_error(request)


def _refused(request: HttpRequest, words: str) -> HttpResponse:
    """Return the answer to a body that is too long, as whoever asks reads answers."""
    status = HTTPStatus.REQUEST_ENTITY_TOO_LARGE
    if _reads_problems(request):
        return _problem(status, words)
    return HttpResponse(f"{words}\n", status=status, content_type="text/plain")


def _reads_problems(request: HttpRequest) -> bool:
    return request.path.startswith("/api/")


def _problem(status: HTTPStatus, words: str) -> HttpResponse:
    return JsonResponse(problem(status, words), status=status, content_type=PROBLEM_JSON)
