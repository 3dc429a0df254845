"""Every address of the service is in the documents, and no other."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from django.contrib import admin
from django.urls import URLResolver, get_resolver

DOCS = Path(__file__).resolve().parents[2] / "docs"
ADDRESSES = (DOCS / "addresses.md").read_text()
API = (DOCS / "api.md").read_text()


def routes(resolver: Any, before: str = "") -> Iterator[str]:
    """Yield the route of every view, as the documents write it: /jobs/{number}/."""
    for pattern in resolver.url_patterns:
        route = before + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from routes(pattern, route)
        elif not re.search(r"[\^?]", route):  # what answers to all that has no address of its own
            yield "/" + re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", route)


ALL = set(routes(get_resolver()))
MODELS = ALL & {
    f"/admin/{model._meta.app_label}/{model._meta.model_name}/" for model in admin.site._registry
}
OF_API = {route for route in ALL if route.startswith("/api/v1/")} - {"/api/v1/"}
# The five addresses of each model's rows are told once for all of them.
OF_ROWS = {
    f"{model}{rest}"
    for model in MODELS
    for rest in (
        "add/",
        "{object_id}/",
        "{object_id}/change/",
        "{object_id}/delete/",
        "{object_id}/history/",
    )
}
PAGES = ALL - OF_API - OF_ROWS


def told(text: str) -> set[str]:
    """Return the addresses in the first column of a page's tables."""
    firsts = re.findall(r"^\| (`[^|]*) \|", text, re.MULTILINE)
    return {found for first in firsts for found in re.findall(r"`(?:[A-Z]+ )?(/[^`]*)`", first)}


def test_every_page_is_among_the_addresses() -> None:
    assert sorted(PAGES - told(ADDRESSES)) == [], "say in docs/addresses.md what these are"


def test_no_address_is_told_that_is_gone() -> None:
    assert sorted(told(ADDRESSES) - PAGES) == []


def test_every_address_of_the_api_is_on_its_page() -> None:
    assert sorted(OF_API - told(API)) == [], "say in docs/api.md what these answer"


def test_the_api_page_tells_no_address_that_is_gone() -> None:
    assert sorted(told(API) - OF_API) == []


def test_every_page_for_rows_is_among_the_addresses() -> None:
    assert sorted(MODELS - told(ADDRESSES)) == []
