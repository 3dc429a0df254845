"""Answers that are the same for everyone, built once for each state of the database."""

from __future__ import annotations

from functools import wraps
from hashlib import sha256
from threading import Lock
from typing import TYPE_CHECKING, Concatenate, ParamSpec, TypeVar

from django.core.cache import caches
from django.http import HttpResponse, HttpResponseBase
from django.utils import timezone
from django.utils.connection import ConnectionProxy
from rest_framework.renderers import JSONRenderer

from jobs.selectors.visible_state import visible_state

if TYPE_CHECKING:
    from collections.abc import Callable

    from rest_framework.request import Request
    from rest_framework.response import Response
    from rest_framework.views import APIView

View = TypeVar("View", bound="APIView")
P = ParamSpec("P")
# Django's own way to a cache by name, as `cache` is to the default one.
KEPT = ConnectionProxy(caches, "answers")
_TURNS = tuple(Lock() for _ in range(64))


def kept(
    get: Callable[Concatenate[View, Request, P], Response],
) -> Callable[Concatenate[View, Request, P], HttpResponseBase]:
    """
    Keep what a `get` answers until anything in the database changes, a minute at the most.

    For answers that depend on the address, the rows and the clock alone, never on who asks: who
    may ask is checked before. The clock's part may be a minute old, the rows' part never is.
    """

    @wraps(get)
    def answered(
        view: View, request: Request, /, *args: P.args, **kwargs: P.kwargs
    ) -> HttpResponseBase:
        key = _key(request)
        if key is None:
            return get(view, request, *args, **kwargs)
        body = KEPT.get(key)
        if body is None:
            with _turn(request):
                # The one before may have built it; and what is newest by now is as good to tell.
                key = _key(request)
                body = key and KEPT.get(key)
                if body is None:
                    # Read after the state was named: what is kept is never older than its name.
                    body = JSONRenderer().render(get(view, request, *args, **kwargs).data)
                    KEPT.set(key, body)
        return HttpResponse(body, content_type=JSONRenderer.media_type)

    return answered


def _turn(request: Request) -> Lock:
    """Return what one thread at a time holds for an address: many ask at once when rows change."""
    return _TURNS[hash(request.build_absolute_uri()) % len(_TURNS)]


def _key(request: Request) -> str | None:
    """Return the name of an answer; None where it cannot be kept."""
    # JSON may be asked for with an indent, which only the usual way of answering knows.
    if request.accepted_media_type != JSONRenderer.media_type:
        return None
    state = visible_state()
    if state is None:
        return None
    minute = f"{timezone.now():%Y-%m-%dT%H:%M}"
    named = "\n".join((state, minute, request.build_absolute_uri()))
    return sha256(named.encode()).hexdigest()
