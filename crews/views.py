"""The door for calendar programs: no sign-in, the address is the key."""

import hashlib
import re
from collections.abc import Callable
from datetime import date
from typing import NamedTuple

from django.conf import settings
from django.core.cache import cache
from django.http import HttpRequest, HttpResponse, HttpResponseBase, HttpResponseNotFound
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.cache import get_conditional_response
from django.utils.http import http_date
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_safe

from crews import feeds, selectors, services

KEPT_SECONDS = 24 * 60 * 60
# An address with a key of the length that we make; all others are left to the list of addresses.
_ADDRESS = re.compile(r"/feeds/([A-Za-z0-9_-]{43})\.ics")


class FeedMiddleware:
    """
    Answers who holds the key of a calendar before all that pages need and calendars do not.

    Most requests of a day are calendar programs that come back for what they have: sessions,
    forms and messages would cost several times the answer. Whoever has no key goes the usual way.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        """Answer by a calendar, or leave the request to the list of addresses."""
        found = _ADDRESS.fullmatch(request.path_info)
        if found is None or request.method not in ("GET", "HEAD"):
            return self.get_response(request)
        return _calendar(request, found[1]) or self.get_response(request)


@csrf_exempt  # it changes nothing, and every other method is told that it is not allowed
@require_safe
def feed(request: HttpRequest, token: str) -> HttpResponseBase:
    """Return the calendar that the token opens; a wrong and a revoked token look alike."""
    return _calendar(request, token) or _private(_nothing_here())


@require_safe
def subscribe_help(request: HttpRequest, token: str) -> HttpResponseBase:
    """Tell the reader of a calendar how to subscribe, with the address that the token opens."""
    subscription = selectors.subscription_for(token)
    if subscription is None:
        return _private(_nothing_here())
    url = settings.PUBLIC_URL + reverse("crews:feed", kwargs={"token": token})
    context = {
        "shown": subscription.shows,
        "url": url,
        "webcal_url": "webcal:" + url.partition(":")[2],
    }
    response = render(request, "crews/subscribe.html", context)
    response.headers["Cache-Control"] = "no-store"
    return _private(response)


def _nothing_here() -> HttpResponse:
    return HttpResponseNotFound("No such calendar.\n", content_type="text/plain")


def _private(response: HttpResponseBase) -> HttpResponseBase:
    response.headers["X-Robots-Tag"] = "noindex"
    response.headers["Referrer-Policy"] = "no-referrer"
    return response


class _Text(NamedTuple):
    """A calendar's text, and what readers ask about it."""

    body: bytes
    etag: str
    revised: int | None


def _text(link: selectors.OpenLink, today: date) -> _Text:
    """
    Return the calendar's text, made once for each stamp and day in this process.

    Whatever a reader sees moves the stamp forward, and the day moves the edge of what is past.
    The key is the reader's own, so that nobody is ever given another one's.
    """
    key = f"feed:{link.token_hash}:{link.stamp.replace(' ', 'T')}:{today}"
    kept: _Text | None = cache.get(key) if link.stamp else None
    if kept is None:
        shown = selectors.calendar_of(link)
        body = feeds.render(shown, selectors.feed_events(shown, today))
        at = shown.feed_revised_at
        revised = None if at is None else int(at.timestamp())
        kept = _Text(body, f'"{hashlib.sha256(body).hexdigest()}"', revised)
        if link.stamp:
            cache.set(key, kept, KEPT_SECONDS)
    return kept


def _calendar(request: HttpRequest, token: str) -> HttpResponseBase | None:
    """Return the body, or 304 to a reader that has it (RFC 9110, section 13.2.2)."""
    now = timezone.now()
    link = selectors.open_link(token)
    if link is None:
        return None
    if request.method == "GET":
        client = request.headers.get("User-Agent", "")
        services.record_fetch(subscription=link, client=client, now=now)
    text = _text(link, timezone.localdate(now))
    answer = get_conditional_response(request, etag=text.etag, last_modified=text.revised)
    if answer is None:
        answer = HttpResponse(text.body, content_type="text/calendar; charset=utf-8")
        answer.headers["Content-Length"] = str(len(text.body))
    answer.headers["ETag"] = text.etag
    answer.headers["Cache-Control"] = "private, max-age=300"
    # A calendar runs nothing, wherever it is opened.
    answer.headers["Content-Security-Policy"] = "default-src 'none'; frame-ancestors 'none'"
    if text.revised is not None:
        answer.headers["Last-Modified"] = http_date(text.revised)
    return _private(answer)
