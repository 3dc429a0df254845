"""
A real Chromium, driven by Playwright, against Django's live server.

Every page fails its test on an error in the console, on an exception in the page, on an answer
of 500 or above, and on any request to another host: the pages work without the internet.
"""

import os
from collections.abc import Callable, Generator
from typing import Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import (
    Browser,
    ConsoleMessage,
    Page,
    Request,
    Response,
    expect,
    sync_playwright,
)

from tests.browser.in_flight import quiet
from tests.needs import need_chromium

CHROMIUM_ARGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
# What comes soon on a quiet computer takes its time on a busy one.
SOON_MS = 60_000
DESK = {"width": 1280, "height": 900}
PHONE = {"width": 390, "height": 844}


@pytest.fixture(scope="session")
def browser() -> Generator[Browser]:
    """One Chromium for the whole run."""
    # Playwright keeps an event loop in this thread, so Django would refuse every query in it.
    # The loop only waits here: no query runs inside a coroutine.
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    expect.set_options(timeout=SOON_MS)
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=need_chromium(), args=CHROMIUM_ARGS)
        yield chromium
        chromium.close()
    del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]


@pytest.fixture(autouse=True)
def rest_at_the_end(browser: Browser, live_server: Any) -> Generator[None]:
    """Close what a test left open, and let the server end its answers, before rows are emptied."""
    yield
    for context in browser.contexts:
        context.close()
    quiet(looks=2)


@pytest.fixture
def page(browser: Browser, live_server: Any) -> Generator[Page]:
    """A page at a desk; addresses may be relative to the live server."""
    yield from _watched(browser, live_server.url, viewport=DESK)


@pytest.fixture
def phone_page(browser: Browser, live_server: Any) -> Generator[Page]:
    """A page on a crew lead's phone, 390 × 844, with touch."""
    yield from _watched(browser, live_server.url, viewport=PHONE, has_touch=True, is_mobile=True)


@pytest.fixture
def sign_in(live_server: Any) -> Callable[[Page, str, str], None]:
    """Give a function that signs someone in through the admin's own page."""

    def sign_in_as(page: Page, username: str, password: str) -> None:
        page.goto("/admin/login/?next=/admin/")
        page.get_by_label("Username").fill(username)
        page.get_by_label("Password").fill(password)
        page.get_by_role("button", name="Log in").click()
        page.wait_for_url("**/admin/")

    return sign_in_as


def _watched(browser: Browser, base_url: str, **options: Any) -> Generator[Page]:
    context = browser.new_context(base_url=base_url, **options)
    context.set_default_timeout(SOON_MS)
    page = context.new_page()
    faults = _listen(page, host=urlsplit(base_url).netloc)
    yield page
    context.close()
    assert not faults, "\n".join(faults)


def _listen(page: Page, *, host: str) -> list[str]:
    faults: list[str] = []

    def on_console(message: ConsoleMessage) -> None:
        # The browser asks for this icon by itself, once; no page links to it.
        icon = str(message.location.get("url", "")).endswith("/favicon.ico")
        # While axe looks at a page it tries styles of its own, which our policy blocks and tells.
        by_axe = getattr(page, "is_examined", False) and "inline style" in message.text
        if message.type == "error" and not icon and not by_axe:
            faults.append(f"console: {message.text} ({message.location})")

    def on_request(request: Request) -> None:
        parts = urlsplit(request.url)
        if parts.scheme in {"http", "https", "ws", "wss"} and parts.netloc != host:
            faults.append(f"request to another host: {request.url}")

    def on_response(response: Response) -> None:
        if response.status >= 500:
            faults.append(f"{response.status} from {response.url}")

    page.on("console", on_console)
    page.on("pageerror", lambda error: faults.append(f"page: {error}"))
    page.on("request", on_request)
    page.on("response", on_response)
    return faults
