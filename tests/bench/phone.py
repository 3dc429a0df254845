"""
A crew's page on a phone in a real Chromium: its weight, how soon it can be read, taps to report.

    python -m tests.bench.phone LINK [--runs 5] [--no-taps]

LINK is the address by which `manage.py demo` lets one phone in; it is used up. The first visit has
an empty phone on a throttled network (1.6 Mbit/s down, 0.75 up, 300 ms there and back: "3G" of
WebPageTest, from memory) and a processor four times slower; the second visit has the program on
the phone; the third no network at all. `readable_ms` is the first contentful paint, from the
moment the address was asked for. Latency is put on every request, connections are kept. Then the
five commonest reports are made, and stay in that demo.
"""

from __future__ import annotations

import argparse
import json
import statistics
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from playwright.sync_api import sync_playwright

from tests.browser.conftest import CHROMIUM_ARGS, PHONE
from tests.needs import need_chromium

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Locator, Page

LATENCY_MS, DOWN_BPS, UP_BPS, SLOWER = 300, 1_600_000, 750_000, 4
PAINTED = """() => new Promise((done) => new PerformanceObserver((list) => {
  const found = list.getEntriesByName("first-contentful-paint")[0];
  if (found) done(found.startTime);
}).observe({ type: "paint", buffered: true }))"""
IS_KEPT = """async () => {
  if (!navigator.serviceWorker.controller) return false;
  const keys = (await (await caches.open("pages")).keys()).map((key) => new URL(key.url).pathname);
  const links = [...document.querySelectorAll('main a[href^="/phone/phases/"]')];
  return keys.includes("/phone/") && links.every((link) => keys.includes(link.pathname));
}"""


def main() -> None:
    """Measure, and print what came out as JSON."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("link")
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--no-taps", action="store_true")
    asked = parser.parse_args()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=need_chromium(), args=CHROMIUM_ARGS)
        key = enrolled(browser, asked.link)
        base = "{0.scheme}://{0.netloc}".format(urlsplit(asked.link))
        told: dict[str, Any] = measured(browser, base, key, runs=asked.runs)
        if not asked.no_taps:
            told["taps"] = taps(phone(browser, base, key))
        browser.close()
    print(json.dumps(told, indent=2))


def enrolled(browser: Browser, link: str) -> Any:
    """Use the link up, and return the key that the phone keeps."""
    context = browser.new_context(service_workers="block")
    page = context.new_page()
    page.goto(link)
    page.get_by_role("button", name="Use this phone").click()
    page.wait_for_url("**/phone/")
    kept = context.storage_state()
    context.close()
    return kept


def phone(browser: Browser, base: str, key: Any) -> BrowserContext:
    """Return an empty phone that is let in."""
    return browser.new_context(
        base_url=base, viewport=PHONE, has_touch=True, is_mobile=True, storage_state=key
    )


def measured(browser: Browser, base: str, key: Any, *, runs: int) -> dict[str, Any]:
    """Return the medians of three visits each by a new phone, and the first one's weight."""
    first, second, offline = [], [], []
    weight: dict[str, int] = {}
    for _ in range(runs):
        context = phone(browser, base, key)
        page = context.new_page()
        weight = weighed(page, first)
        until_kept(page)
        second.append(visit(page))
        until_kept(page)
        context.set_offline(True)
        offline.append(visit(page))
        context.close()
    return {
        "first_visit": {"readable_ms": median(first), "bytes": weight},
        "second_visit": {"readable_ms": median(second)},
        "without_signal": {"readable_ms": median(offline)},
    }


def weighed(page: Page, readable: list[float]) -> dict[str, int]:
    """Visit once on a slow network; return the bytes that came until all was loaded, by file."""
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    throttle = {"latency": LATENCY_MS, "offline": False}
    rates = {"downloadThroughput": DOWN_BPS / 8, "uploadThroughput": UP_BPS / 8}
    session.send("Network.emulateNetworkConditions", throttle | rates)
    session.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
    paths: dict[str, str] = {}
    sizes: dict[str, int] = {}

    def name(event: dict[str, Any]) -> None:
        paths[event["requestId"]] = urlsplit(event["request"]["url"]).path

    def weigh(event: dict[str, Any]) -> None:
        path = paths.get(event["requestId"], "")
        if not path.startswith("/"):
            return  # a picture within a sheet, not from the network
        sizes[path] = sizes.get(path, 0) + int(event["encodedDataLength"])

    session.on("Network.requestWillBeSent", name)
    session.on("Network.loadingFinished", weigh)
    readable.append(visit(page))
    page.wait_for_load_state("load")
    until_load = dict(sizes)
    session.detach()
    return {**until_load, "in all": sum(until_load.values())}


def visit(page: Page) -> float:
    """Open the page, and return when its text could be read."""
    page.goto("/phone/")
    return float(page.evaluate(PAINTED))


def until_kept(page: Page) -> None:
    """Wait until the phone has every page of the week."""
    for _ in range(600):
        if page.evaluate(IS_KEPT):
            return
        page.wait_for_timeout(100)
    raise SystemExit("The phone never had every page of the week.")


def taps(context: BrowserContext) -> dict[str, int]:
    """Return the taps that each of the five commonest reports took, from the page as it opens."""
    page = context.new_page()
    page.goto("/phone/")
    # The last that has a button for what is asked: its box may be on the week or a page behind it.
    return {
        "started": tapped(page, ["form.start button"]),
        "half done": tapped(page, ["summary:text-is('Share done')", "button:text-is('50 %')"]),
        "stopped by weather": tapped(
            page, ["summary:text-is('Stopped')", "button:text-is('Weather')"]
        ),
        "delivery arrived": tapped(
            page, ["summary:text-is('Delivery')", "button:text-is('All of it is here')"]
        ),
        "done": tapped(page, ["summary:text-is('Done')", "button:text-is('All of it is done')"]),
    }


def tapped(page: Page, path: list[str]) -> int:
    """Make one report; return the taps it took, one more where its phase is behind a link."""
    page.goto("/phone/")
    taken = 0
    if not has(page, path[0]):
        lines = page.locator("a.line")
        hrefs = [lines.nth(n).get_attribute("href") for n in range(lines.count())]
        for href in dict.fromkeys(hrefs):
            page.goto(href or "")
            if has(page, path[0]):
                taken = 1
                break
        else:
            return -1
    box: Locator = page.locator(".report").filter(has=page.locator(path[0])).first
    before = box.locator(".said li").count()
    for selector in path:
        box.locator(selector).first.tap()
        taken += 1
    page.wait_for_function(
        "(n) => document.querySelectorAll('.said li').length > n", arg=before, timeout=15_000
    )
    page.wait_for_timeout(2_000)
    return taken


def has(page: Page, selector: str) -> bool:
    """Return whether a report box of the page has it."""
    return page.locator(".report").locator(selector).count() > 0


def median(values: list[float]) -> int:
    """Return the median in whole milliseconds."""
    return round(statistics.median(values))


if __name__ == "__main__":
    main()
