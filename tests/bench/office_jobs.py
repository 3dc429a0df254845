"""
The ten commonest jobs of an office manager's day: how many clicks and how many seconds each takes.

    python manage.py demo --port 8200                                  # in another window
    python -m tests.bench.office_jobs http://localhost:8200 office PASSWORD [--json]

A real Chromium does each job at a running demo firm as a person would, from the admin's first page
until the page says that it is done. A click is a press of the mouse or of one key, or a field that
is filled, whatever its length. Seconds are the service's and the browser's, without reading and
thinking. The jobs change the firm: use a fresh demo. The inspections are asked for and recorded on
the desk as it stands, by the first row that can be; a desk with none says so in `left_out`.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import sys
import time
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from playwright.sync_api import expect, sync_playwright

if TYPE_CHECKING:
    from collections.abc import Callable

    from playwright.sync_api import Locator, Page

SLOW_MS = 120_000
WHEN = re.compile(r"[A-Z][a-z]{2} \d{1,2}")


class NothingToDo(Exception):  # noqa: N818 - says that the desk has no such row
    """The firm has nothing on which this job could be done today."""


@dataclass(slots=True)
class Took:
    """What one job took."""

    job: str
    clicks: int
    fields: int
    seconds: float


class Hand:
    """A person at a mouse and a keyboard, counting."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.clicks = 0
        self.fields = 0

    def click(self, what: Locator) -> None:
        """Press the mouse on something."""
        self.clicks += 1
        what.click()

    def link(self, name: str) -> None:
        """Follow a link of the page."""
        self.click(self.page.locator("#content").get_by_role("link", name=name, exact=True).first)

    def button(self, name: str | re.Pattern[str], within: Locator | None = None) -> None:
        """Press a button of the page, or of a part of it."""
        self.click((within or self.page.locator("#content")).get_by_role("button", name=name).first)

    def fill(self, field: Locator, text: str) -> None:
        """Fill a field."""
        self.fields += 1
        field.fill(text)

    def shows(self, text: str | re.Pattern[str]) -> None:
        """Wait until the page says something."""
        expect(self.page.locator("#content, .messagelist").get_by_text(text).first).to_be_visible(
            timeout=SLOW_MS
        )


def book(hand: Hand) -> None:
    """Find four hours for a small visit, and keep them."""
    hand.link("Booking board")
    hand.click(hand.page.get_by_text("Find the next gap"))
    hand.button("Find")
    hand.button("Keep it for a callback visit")
    hand.button("Accept")
    hand.shows("Accepted")


def move(hand: Hand) -> None:
    """Move a booking a day later."""
    hand.link("Booking board")
    hand.page.wait_for_selector("#board[data-ready]")
    bars = hand.page.locator('.board-row[data-row^="crew-"] a.bar[data-m]')
    hand.click(bars.nth(bars.count() // 2))
    hand.button("A day later")
    answer = hand.page.locator("#board-panel h2")
    expect(answer).to_have_text(re.compile("What would follow|This cannot be"), timeout=SLOW_MS)
    if answer.inner_text() == "This cannot be":
        hand.button(re.compile("Try"), hand.page.locator("#board-panel"))
    hand.button("Accept")
    hand.shows("Accepted")


def rain_day(hand: Hand) -> None:
    """Rain off the next day on which crews work outdoors, and publish what follows."""
    hand.link("Rain day")
    ticks = hand.page.locator("#content").get_by_role("checkbox")
    if (
        ticks.count()
        and not hand.page.locator("#content input:checked, input[type=hidden][name=crew]").count()
    ):
        hand.click(ticks.first)
    hand.button("Propose a plan for this rain day")
    hand.button(re.compile("Accept and publish"))
    hand.shows("is published.")


def ask_for_inspection(hand: Hand) -> None:
    """Write down that an inspection was asked for."""
    hand.link("Inspection desk")
    ask = hand.page.get_by_role("button", name=re.compile("^Asked: "))
    later = hand.page.get_by_text(re.compile("To call in later this week"))
    if not ask.count() and later.count():
        hand.click(later)
    if not ask.count():
        raise NothingToDo("no inspection is to be asked for")
    hand.click(ask.first)
    hand.shows(re.compile("asked for|requested"))


def record_result(hand: Hand) -> None:
    """Write down that an inspection was passed."""
    hand.link("Inspection desk")
    result = hand.page.get_by_text("What came of it")
    if not result.count():
        raise NothingToDo("no visit is booked")
    hand.click(result.first)
    hand.button(re.compile("^Passed"))
    hand.shows(re.compile(": passed"))


def new_job(hand: Hand) -> None:
    """Sign a buyer's building."""
    hand.link("New job")
    for label, text in {
        "Buyer:": "Ada Quill",
        "Site address:": "12 Fence Row Road",
        "Town:": "Millrace",
        "Contract (USD):": "61200",
        "Width (ft):": "40",
        "Length (ft):": "56",
    }.items():
        hand.fill(hand.page.get_by_label(label, exact=True), text)
    hand.button("Sign the job")
    hand.shows("is signed:")


def publish(hand: Hand) -> None:
    """Publish the draft at hand."""
    hand.link("Draft against published")
    hand.button(re.compile("Publish all of"))
    hand.shows(re.compile("published"))


def print_the_sheet(hand: Hand) -> None:
    """Have the look-ahead as a file to print."""
    hand.link("Look-ahead")
    with hand.page.expect_response(re.compile("pdf")) as asked:
        hand.link("PDF for letter paper")
    assert asked.value.headers["content-type"] == "application/pdf"


def find_a_date(hand: Hand) -> None:
    """Say when a building like this could be started and done."""
    hand.link("Start dates")
    hand.fill(hand.page.get_by_label("Length (ft)"), "60")
    hand.clicks += 1
    hand.page.get_by_label("Length (ft)").press("Enter")
    hand.shows("When it could be done")


def answer_when(hand: Hand) -> None:
    """Say to a buyer on the phone when their building is begun and done."""
    hand.link("Open jobs")
    hand.fill(hand.page.locator("#searchbar"), "Crook")
    hand.clicks += 1
    hand.page.locator("#searchbar").press("Enter")
    hand.shows(WHEN)


JOBS: tuple[Callable[[Hand], None], ...] = (
    book,
    move,
    publish,
    rain_day,
    ask_for_inspection,
    record_result,
    new_job,
    print_the_sheet,
    find_a_date,
    answer_when,
)


def measure(address: str, name: str, password: str) -> tuple[list[Took], dict[str, str]]:
    """Return what each job took, and the jobs that could not be done, with the reason."""
    from tests.browser.conftest import CHROMIUM_ARGS, DESK

    took, left_out = [], {}
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(
            executable_path=os.environ.get("CHROMIUM", "/usr/bin/chromium"), args=CHROMIUM_ARGS
        )
        page = chromium.new_page(base_url=address, viewport=DESK, accept_downloads=True)
        page.set_default_timeout(SLOW_MS)
        page.goto("/admin/")
        page.get_by_label("Username").fill(name)
        page.get_by_label("Password").fill(password)
        page.get_by_role("button", name="Log in").click()
        for job in JOBS:
            page.goto("/admin/")
            hand = Hand(page)
            words = str(job.__doc__).rstrip(".")
            began = time.perf_counter()
            try:
                job(hand)
            except NothingToDo as reason:
                left_out[words] = str(reason)
                continue
            seconds = round(time.perf_counter() - began, 1)
            took.append(Took(words, hand.clicks, hand.fields, seconds))
        chromium.close()
    return took, left_out


def main(argv: list[str] | None = None) -> int:
    """Do the jobs once and print what they took."""
    parser = argparse.ArgumentParser(description=str(__doc__).split("\n\n")[0])
    parser.add_argument("address")
    parser.add_argument("name")
    parser.add_argument("password")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args(argv)
    took, left_out = measure(asked.address, asked.name, asked.password)
    if asked.json:
        print(json.dumps({"jobs": [asdict(row) for row in took], "left_out": left_out}, indent=1))
        return 0
    for row in took:
        print(f"{row.job:66} {row.clicks} clicks, {row.fields} fields, {row.seconds} s")
    for words, reason in left_out.items():
        print(f"{words}: left out, {reason}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
