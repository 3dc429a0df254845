"""Who is at the phone: the key in its cookie, and pages that open to enrolled phones only."""

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponseBase, JsonResponse
from django.shortcuts import render
from django.utils import timezone

from crews.models import Phone
from crews.selectors.phones import phone_for
from crews.services import phones

COOKIE = "girtline_phone"
COOKIE_PATH = "/phone/"
# The longest that browsers keep one (draft of RFC 6265bis, section 5.5); set anew when used.
COOKIE_SECONDS = 400 * 24 * 60 * 60

View = Callable[..., HttpResponseBase]


class PhoneRequest(HttpRequest):
    """A request from an enrolled phone."""

    phone: Phone


def phone_required(view: View) -> View:
    """
    Give the view `request.phone`, its crew and user loaded; turn all others away with 403.

    A program that asks for JSON gets {"error": "phone_unknown", "detail": words}.
    """

    @wraps(view)
    def guarded(request: Any, *args: Any, **kwargs: Any) -> HttpResponseBase:
        token = request.COOKIES.get(COOKIE, "")
        phone = phone_for(token) if token else None
        if phone is None:
            return private(_turned_away(request))
        request.phone = phone
        client = request.headers.get("User-Agent", "")
        is_noted = phones.record_seen(phone=phone, client=client, now=timezone.now())
        response = private(view(request, *args, **kwargs))
        if is_noted:
            keep_signed_in(response, token)
        return response

    return guarded


def keep_signed_in(response: HttpResponseBase, token: str) -> None:
    """Let the phone keep its key; no script can read it, and no other site can send it."""
    response.set_cookie(
        COOKIE,
        token,
        max_age=COOKIE_SECONDS,
        path=COOKIE_PATH,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )


def private(response: HttpResponseBase) -> HttpResponseBase:
    """Return a response that no shared store keeps and no search engine lists."""
    response.headers.setdefault("Cache-Control", "private, no-cache")
    response.headers["X-Robots-Tag"] = "noindex"
    response.headers["Referrer-Policy"] = "same-origin"
    return response


def _turned_away(request: HttpRequest) -> HttpResponseBase:
    words = "This phone is not signed in. Ask the office for a link to this page."
    if "application/json" in request.headers.get("Accept", ""):
        return JsonResponse({"error": "phone_unknown", "detail": words}, status=403)
    shown = {"words": words, "keeps_said": True}
    return render(request, "crews/phone/turned_away.html", shown, status=403)
