"""The door for calendar programs: no sign-in, the address is the key."""

import hashlib
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
from crews.models import FeedSubscription

KEPT_SECONDS = 24 * 60 * 60


@csrf_exempt  # it changes nothing, and every other method is told that it is not allowed
@require_safe
def feed(request: HttpRequest, token: str) -> HttpResponseBase:
    """Return the calendar that the token opens; a wrong and a revoked token look alike."""
    now = timezone.now()
    opened = selectors.open_link(token)
    if opened is None:
        return _private(_nothing_here())
    subscription, stamp = opened
    if request.method == "GET":
        client = request.headers.get("User-Agent", "")
        services.record_fetch(subscription=subscription, client=client, now=now)
    text = _text(subscription, stamp, timezone.localdate(now))
    return _private(_calendar(request, text))


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


def _text(subscription: FeedSubscription, stamp: str, today: date) -> _Text:
    """
    Return the calendar's text, made once for each stamp and day in this process.

    Whatever a reader sees moves the stamp forward, and the day moves the edge of what is past.
    The key is the reader's own, so that nobody is ever given another one's.
    """
    key = f"feed:{subscription.token_hash}:{stamp.replace(' ', 'T')}:{today}"
    kept: _Text | None = cache.get(key) if stamp else None
    if kept is None:
        shown = subscription.shows
        body = feeds.render(shown, selectors.feed_events(shown, today))
        at = shown.feed_revised_at
        revised = None if at is None else int(at.timestamp())
        kept = _Text(body, f'"{hashlib.sha256(body).hexdigest()}"', revised)
        if stamp:
            cache.set(key, kept, KEPT_SECONDS)
    return kept


def _calendar(request: HttpRequest, text: _Text) -> HttpResponseBase:
    """Return the body, or 304 to a reader that has it (RFC 9110, section 13.2.2)."""
    response = HttpResponse(text.body, content_type="text/calendar; charset=utf-8")
    response.headers["ETag"] = text.etag
    response.headers["Cache-Control"] = "private, max-age=300"
    if text.revised is not None:
        response.headers["Last-Modified"] = http_date(text.revised)
    answer = get_conditional_response(
        request, etag=text.etag, last_modified=text.revised, response=response
    )
    return answer or response
