"""Calendar feeds by the second, whole and unchanged, beside a bare view of the same Django.

    python -m tests.bench.feeds --events 60 --seconds 5 --json

All requests go through the service's own handler with its middleware, in one process and one
thread, without a network between, by seconds of the processor. The doors take turns in short
rounds, so that whatever slows the computer slows all of them: a view that answers a constant of the
same size (`bare`), one that also reads one row by its index (`bare_with_row`), a constant given as
early in the middleware as feeds are (`bare_early`), the feed in full, and the feed to a reader that
has it (304). `first` is a feed whose text has not been made yet.
"""

from __future__ import annotations

import argparse
import json
import sys
from datetime import timedelta
from time import process_time
from typing import TYPE_CHECKING, Any

from tests.bench.database import own_database

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

ROUND_SECONDS = 0.25


def main(arguments: list[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--events", type=int, default=60)
    parser.add_argument("--seconds", type=float, default=5.0, help="for each door")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args(arguments)
    with own_database():
        found = _measure(options.events, options.seconds)
    if options.json:
        print(json.dumps(found, indent=2))
    else:
        for name, value in found.items():
            print(f"{name:24} {value}")
    return 0


def _measure(events: int, seconds: float) -> dict[str, Any]:
    from django.core.cache import cache
    from django.test import Client
    from django.utils import timezone

    from crews import services
    from tests.factories import CrewFactory

    now = timezone.now()
    crew = CrewFactory(name="North crew")
    entries = [_entry(crew.pk, number, now) for number in range(events)]
    services.replace_feed_events(entries=entries, now=now)
    subscription, url = services.subscribe(crew=crew, reader="Bench", now=now)
    path = "/feeds/" + url.rpartition("/")[2]
    client = Client(headers={"User-Agent": "bench"})
    whole = client.get(path)
    known = {"If-None-Match": whole.headers["ETag"]}
    _mount(len(whole.content), subscription.token_hash)

    def first() -> int:
        cache.clear()
        return client.get(path).status_code

    doors: Mapping[str, tuple[Callable[[], int], int]] = {
        "bare": (lambda: client.get("/bench/bare/").status_code, 200),
        "bare_with_row": (lambda: client.get("/bench/row/").status_code, 200),
        "bare_early": (lambda: client.get("/bench/early/").status_code, 200),
        "full": (lambda: client.get(path).status_code, 200),
        "unchanged": (lambda: client.get(path, headers=known).status_code, 304),
        "first": (first, 200),
    }
    rates = _rates(doors, seconds)
    return {
        "events": events,
        "bytes": len(whole.content),
        "per_second": {name: round(rate) for name, rate in rates.items()},
        **{
            f"{name}_of_{beside}": round(rates[name] / rates[beside], 3)
            for beside in ("bare", "bare_early", "bare_with_row")
            for name in ("full", "unchanged")
        },
    }


def _rates(doors: Mapping[str, tuple[Callable[[], int], int]], seconds: float) -> dict[str, float]:
    """Return requests by the processor's second of each door; turns come in short rounds."""
    spent = dict.fromkeys(doors, 0.0)
    done = dict.fromkeys(doors, 0)
    while min(spent.values()) < seconds:
        for name, (ask, wanted) in doors.items():
            begun = process_time()
            while (elapsed := process_time() - begun) < ROUND_SECONDS:
                assert ask() == wanted, name
                done[name] += 1
            spent[name] += elapsed
    return {name: done[name] / spent[name] for name in doors}


def _entry(crew_id: int, number: int, now: Any) -> Any:
    from crews.services import FeedEntry

    starts_at = now + timedelta(days=number, hours=1)
    return FeedEntry(
        crew_id=crew_id,
        source=f"phase:{number}",
        starts_at=starts_at,
        ends_at=starts_at + timedelta(days=number % 3, hours=8),
        summary=f"Set trusses and purlins – Job 26-{number:03d}",
        location=f"{100 + number} Fence Row Road, Millbrook Corner, OH",
        description="16 working hours for the crew.\nEquipment: Telehandler 1.\n"
        "Brace each truss as it is set, as the truss bracing documents show.\n"
        "Local code, the engineer's drawings and your inspector decide.",
    )


def _mount(size: int, token_hash: str) -> None:
    """Add the bare views to the service's addresses, and one before them."""
    from django.http import HttpRequest, HttpResponse, HttpResponseBase
    from django.urls import clear_url_caches, path
    from django.views.decorators.csrf import csrf_exempt

    from contractor import urls
    from crews.models import FeedSubscription
    from crews.views import FeedMiddleware

    body = b"x" * size
    feeds_first = FeedMiddleware.__call__

    def early(door: FeedMiddleware, request: HttpRequest) -> HttpResponseBase:
        if request.path_info == "/bench/early/":
            return HttpResponse(body, content_type="text/calendar")
        return feeds_first(door, request)

    FeedMiddleware.__call__ = early  # type: ignore[method-assign]

    @csrf_exempt
    def bare(_request: HttpRequest) -> HttpResponse:
        return HttpResponse(body, content_type="text/calendar")

    @csrf_exempt
    def row(_request: HttpRequest) -> HttpResponse:
        assert FeedSubscription.objects.filter(token_hash=token_hash).first()
        return HttpResponse(body, content_type="text/calendar")

    # Last, where the feeds are, so that finding them takes as long.
    urls.urlpatterns += [path("bench/bare/", bare), path("bench/row/", row)]
    clear_url_caches()


if __name__ == "__main__":
    sys.exit(main())
