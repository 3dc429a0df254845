"""What makes the phone's pages a program that opens without signal: worker, manifest, one page."""

import hashlib
from functools import cache
from pathlib import Path

from django.conf import settings
from django.contrib.staticfiles import finders
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.templatetags.static import static
from django.urls import reverse
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_safe

# What every page needs; kept by the phone from the first visit on.
SHELL = (
    "crews/phone.css",
    "crews/outbox.js",
    "crews/phone.js",
    "crews/icon.svg",
    "crews/icon-192.png",
)
WORKER = "crews/worker.js"


@require_safe
@cache_control(no_cache=True)
def worker(request: HttpRequest) -> HttpResponse:
    """Return the service worker, which is another whenever one of its files is."""
    paths = [reverse("phone:offline"), *(static(name) for name in SHELL)]
    head = f"const VERSION = {_version()!r};\nconst SHELL = {paths!r};\n"
    return HttpResponse(head + _text(WORKER), content_type="text/javascript; charset=utf-8")


@require_safe
@cache_control(max_age=86400)
def manifest(request: HttpRequest) -> JsonResponse:
    """Return what a phone needs to put the pages on its home screen."""
    home = reverse("phone:week")
    icons = [
        {"src": static("crews/icon.svg"), "sizes": "any", "type": "image/svg+xml"},
        {"src": static("crews/icon-192.png"), "sizes": "192x192", "type": "image/png"},
        {"src": static("crews/icon-512.png"), "sizes": "512x512", "type": "image/png"},
    ]
    # The drawing keeps clear of the rim that phones may cut off.
    cut = {**icons[-1], "purpose": "maskable"}
    told = {
        "id": home,
        "name": "Girtline",
        "short_name": "Girtline",
        "description": "Today's work of a crew, and what is reported of it.",
        "start_url": home,
        "scope": home,
        "display": "standalone",
        "background_color": "#14313d",
        "theme_color": "#14313d",
        "icons": [*icons, cut],
    }
    return JsonResponse(told, content_type="application/manifest+json")


@require_safe
def offline(request: HttpRequest) -> HttpResponse:
    """Show what is shown without signal in place of a page that the phone does not have."""
    return render(request, "crews/phone/offline.html", {"keeps_said": True})


def _version() -> str:
    if settings.DEBUG:
        _digest.cache_clear()
    return _digest()


@cache
def _digest() -> str:
    offline_page = Path(__file__).parents[1] / "templates" / "crews" / "phone" / "offline.html"
    texts = [offline_page.read_text(), *(_bytes(name).hex() for name in (*SHELL, WORKER))]
    return hashlib.sha256("\n".join(texts).encode()).hexdigest()[:16]


def _text(name: str) -> str:
    return _bytes(name).decode()


def _bytes(name: str) -> bytes:
    found = finders.find(name)
    assert isinstance(found, str), name
    return Path(found).read_bytes()
