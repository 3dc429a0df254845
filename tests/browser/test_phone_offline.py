"""
A crew's phone without signal: what was read is readable, what is said goes out once, in order.

Chromium is put offline and online, its tabs are killed in the middle, the network is made slow,
and buttons are tapped twice. What counts is what stands in the database at the end.
"""

import os
import re
import threading
import time
from collections.abc import Callable, Generator
from datetime import datetime, timedelta
from io import BytesIO
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.utils import timezone
from PIL import Image
from playwright.sync_api import Browser, BrowserContext, Page, expect

from crews.models import Crew, Phone
from crews.phone import pages, reporting
from crews.services import phones
from jobs.models import Booking, Delivery, FieldReport, Phase, ReportPhoto
from jobs.services import planning, publishing
from tests.browser.conftest import SOON_MS
from tests.browser.in_flight import quiet
from tests.factories import CrewFactory, LocateTicketFactory
from tests.service.portfolio import make_firm, make_job

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

WCAG = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
IS_KEPT = """async () => {
  if (!navigator.serviceWorker.controller) return false;
  const cache = await caches.open("pages");
  const keys = (await cache.keys()).map((key) => new URL(key.url).pathname);
  const links = [...document.querySelectorAll('main a[href^="/phone/phases/"]')];
  return keys.includes("/phone/") && links.every((link) => keys.includes(link.pathname));
}"""
SMALL_TARGETS = """[...document.querySelectorAll("a, button, summary, input, select, textarea")]
  .filter(e => e.checkVisibility() && !e.classList.contains("skip"))
  .map(e => [e.textContent.trim() || e.name, e.getBoundingClientRect()])
  .filter(([, box]) => box.height > 0 && box.height < 44)
  .map(([words]) => words)"""


@pytest.fixture
def crew(settings: Any, tmp_path: Any) -> Crew:
    """A crew that has layout and digging today, and other work on the days to come."""
    settings.MEDIA_ROOT = tmp_path
    now = timezone.now()
    make_firm(crews=1)
    today = timezone.localdate()
    days = {"sold_on": today - timedelta(days=30), "promised_on": today + timedelta(days=90)}
    job = make_job(**days)
    LocateTicketFactory(
        job=job,
        called_on=today - timedelta(days=5),
        dig_from=today - timedelta(days=1),
        expires_on=today + timedelta(days=30),
    )
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)
    crew = Crew.objects.get()
    # Two phases are today's; the rest goes two days on, as a crew is nowhere twice.
    mine = Booking.objects.filter(crew=crew, is_live=True).order_by("-starts_at")
    rest = mine.exclude(phase__code__in=("LAYOUT", "DIG")).reverse()
    for bookings, days in ((mine, 60), (rest, -58)):
        for booking in bookings:
            booking.starts_at += timedelta(days=days)
            booking.ends_at += timedelta(days=days)
            booking.save()
    # Within today at any hour of it.
    midnight = datetime.combine(today, datetime.min.time(), timezone.get_default_timezone())
    tomorrow = midnight + timedelta(days=1)
    middle = now + (tomorrow - now) / 2
    for code, begins, ends in (("LAYOUT", midnight, middle), ("DIG", middle, tomorrow)):
        Booking.objects.filter(crew=crew, is_live=True, phase__code=code).update(
            starts_at=begins, ends_at=ends
        )
    return crew


@pytest.fixture
def context(browser: Browser, live_server: Any, crew: Crew) -> Generator[BrowserContext]:
    """A phone that was let in; fails on exceptions in its pages."""
    _, url = phones.invite(crew=crew, person_name="Ada Bright", now=timezone.now())
    opened = browser.new_context(
        base_url=live_server.url,
        viewport={"width": 390, "height": 844},
        has_touch=True,
        is_mobile=True,
    )
    opened.set_default_timeout(SOON_MS)
    faults: list[str] = []
    opened.on("weberror", lambda error: faults.append(str(error.error)))
    page = opened.new_page()
    page.goto(re.sub(r"^https?://[^/]+", "", url))
    page.get_by_role("button", name="Use this phone").click()
    page.wait_for_url("**/phone/")
    page.close()
    quiet()
    yield opened
    opened.close()
    quiet()
    assert not faults


@pytest.fixture
def week(context: BrowserContext) -> Page:
    """The week, with all its pages kept on the phone."""
    page = context.new_page()
    page.goto("/phone/")
    wait_until(page, IS_KEPT)
    quiet()
    return page


def wait_until(page: Page, script: str) -> None:
    """Wait for a script to say so; Playwright's own waiting takes a promise for a yes."""
    wait_for(page, lambda: page.evaluate(script), script)


def wait_for(page: Page, is_so: Callable[[], Any], words: str) -> None:
    """Wait until something is so, while the page goes on."""
    until = time.monotonic() + SOON_MS / 1000
    while not is_so():
        assert time.monotonic() < until, f"never so: {words}"
        page.wait_for_timeout(100)


def rest(page: Page) -> None:
    """
    Wait by the page's own clock until it takes a tap for another one.

    A timer that is begun after the page's own, and is longer, ends after it.
    """
    page.evaluate("() => new Promise((done) => setTimeout(done, 800))")


def lose_signal(page: Page) -> None:
    """
    Take the network away, and wait until the page knows.

    A browser that begins a worker or a page meanwhile may let the emulation go: it is asked anew.
    """
    page.context.set_offline(True)
    if page.evaluate("navigator.onLine"):
        page.context.set_offline(False)
        page.context.set_offline(True)
    wait_until(page, "() => !navigator.onLine")


def box(page: Page, name: str = "Layout") -> Any:
    return page.get_by_role("region", name=re.compile(f"^Report {name}"))


def said(page: Page, name: str = "Layout") -> Any:
    return box(page, name).locator(".said li")


def kinds() -> list[str]:
    quiet()
    return list(FieldReport.objects.order_by("made_at").values_list("kind", flat=True))


def test_the_week_and_every_phase_of_it_are_readable_without_signal(
    week: Page, context: BrowserContext
) -> None:
    # A page that came later than this is not from the network.
    wait_until(
        week, "() => Date.now() - Date.parse(document.querySelector('#age').dataset.asOf) > 5000"
    )
    lose_signal(week)
    week.reload()
    lose_signal(week)
    expect(week.get_by_role("heading", name="Today")).to_be_visible()
    expect(week.locator("#age")).to_contain_text("No signal.")
    links = week.locator('main a[href^="/phone/phases/"]')
    paths = {links.nth(place).get_attribute("href") for place in range(links.count())}
    assert len(paths) > 5

    for path in paths:
        week.goto(path or "")
        expect(week.get_by_role("heading", name="Sizes")).to_be_visible()


def test_pages_that_could_not_be_kept_are_come_back_to_by_themselves(
    context: BrowserContext, monkeypatch: pytest.MonkeyPatch
) -> None:
    read, answers = pages.crew_phase, threading.Event()
    tried: list[int] = []

    def read_or_fail(**asked: Any) -> Any:
        tried.append(asked["phase_id"])
        if not answers.is_set():
            raise OSError("no answer yet")
        return read(**asked)

    monkeypatch.setattr(pages, "crew_phase", read_or_fail)
    week = context.new_page()
    week.goto("/phone/")
    wait_until(week, "async () => (await caches.open('pages')).match('/phone/').then(Boolean)")
    wait_for(week, lambda: len(tried) > 1, "two pages asked for")
    assert week.evaluate(IS_KEPT) is False

    answers.set()

    wait_until(week, IS_KEPT)


def test_two_tabs_and_a_reload_amid_keep_every_page(context: BrowserContext) -> None:
    one, other = context.new_page(), context.new_page()
    one.goto("/phone/")
    other.goto("/phone/")
    one.evaluate("window.dispatchEvent(new Event('online'))")
    one.reload()

    for page in (one, other):
        wait_until(page, IS_KEPT)


def test_a_page_never_read_says_so_and_leads_back(week: Page, context: BrowserContext) -> None:
    lose_signal(week)
    week.goto("/phone/phases/987654/")
    expect(week.get_by_role("heading", name="No signal")).to_be_visible()
    week.get_by_role("link", name="Today and the days to come").click()
    expect(week.get_by_role("heading", name="Today")).to_be_visible()


def test_reports_made_without_signal_go_out_by_themselves_in_order_once(
    week: Page, context: BrowserContext
) -> None:
    lose_signal(week)
    week.reload()
    lose_signal(week)
    box(week).get_by_role("button", name="Start Layout").tap()
    expect(said(week)).to_have_count(1)
    expect(said(week).first).to_contain_text("waiting for signal")
    rest(week)
    box(week).get_by_text("Share done", exact=True).tap()
    box(week).get_by_role("button", name="50 %").tap()
    expect(said(week)).to_have_count(2)
    expect(week.get_by_role("status")).to_contain_text("2 reports or photos are waiting")
    assert kinds() == []

    context.set_offline(False)

    expect(said(week).first).to_contain_text("received")
    expect(said(week).last).to_contain_text("received")
    expect(week.get_by_text("Under way, 50 % done")).to_be_visible()
    assert kinds() == ["STARTED", "PROGRESS"]


def test_a_report_outlives_a_killed_tab(week: Page, context: BrowserContext) -> None:
    lose_signal(week)
    box(week).get_by_role("button", name="Start Layout").tap()
    expect(said(week)).to_have_count(1)
    week.close()

    context.set_offline(False)
    again = context.new_page()
    again.goto("/phone/")

    expect(said(again).first).to_contain_text("received")
    assert kinds() == ["STARTED"]


def test_a_tab_killed_while_its_report_is_under_way_sends_it_once(
    week: Page, context: BrowserContext, monkeypatch: pytest.MonkeyPatch
) -> None:
    arrived, may_answer = threading.Event(), threading.Event()
    take = reporting.take_phone_reports

    def take_and_wait(**sent: Any) -> Any:
        taken = take(**sent)
        arrived.set()
        may_answer.wait(timeout=60)
        return taken

    monkeypatch.setattr(reporting, "take_phone_reports", take_and_wait)
    box(week).get_by_role("button", name="Start Layout").tap()
    assert arrived.wait(timeout=60)
    week.close()  # it is in the database, and the phone never heard so
    may_answer.set()
    monkeypatch.undo()

    again = context.new_page()
    again.goto("/phone/")

    expect(said(again).first).to_contain_text("received")
    assert kinds() == ["STARTED"]


def test_a_doubled_tap_is_one_report_and_no_undo(week: Page) -> None:
    week.evaluate(
        """() => {
          const button = document.querySelector("form.start button");
          const { x, y, width, height } = button.getBoundingClientRect();
          button.click();
          button.click();
          // What has moved under the thumb meanwhile.
          setTimeout(() => document.elementFromPoint(x + width / 2, y + height / 2)?.click(), 200);
        }"""
    )

    expect(said(week)).to_have_count(1)
    expect(said(week).first).to_contain_text("received")
    assert kinds() == ["STARTED"]


def test_a_slow_network_shows_the_page_as_last_read_and_then_the_new_one(
    week: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    may_answer = threading.Event()
    read = pages.crew_week

    def read_slowly(**asked: Any) -> Any:
        may_answer.wait(timeout=60)
        return read(**asked)

    Phase.objects.filter(code="LAYOUT").update(status="UNDER_WAY", started_at=timezone.now())
    monkeypatch.setattr(pages, "crew_week", read_slowly)
    week.reload()
    expect(week.get_by_text("Cleared to start").first).to_be_visible()
    # The page was read a moment ago; make it as old as one from the morning.
    may_answer.set()
    week.evaluate("window.dispatchEvent(new Event('online'))")

    expect(week.get_by_text("Under way").first).to_be_visible()


def test_an_undo_without_signal_leaves_nothing_and_one_after_sending_takes_it_back(
    week: Page, context: BrowserContext
) -> None:
    lose_signal(week)
    box(week, "Dig holes").locator("summary", has_text="Note").tap()
    box(week, "Dig holes").get_by_label("Note").fill("Rock at 3 ft")
    box(week, "Dig holes").get_by_role("button", name="Send the note").tap()
    expect(said(week, "Dig holes")).to_have_count(1)
    rest(week)
    # It was tried: whether the office has it, the phone cannot know.
    said(week, "Dig holes").get_by_role("button", name="Undo").tap()
    context.set_offline(False)

    expect(said(week, "Dig holes").first).to_contain_text("Taken back: Note: Rock at 3 ft")
    expect(said(week, "Dig holes").first).to_contain_text("received")
    assert kinds() == ["NOTE", "CORRECTION"]


def test_photos_are_shrunk_on_the_phone_and_follow_their_report(
    week: Page, context: BrowserContext, tmp_path: Any
) -> None:
    large = tmp_path / "large.jpg"
    picture = Image.effect_noise((3200, 2400), 60).convert("RGB")
    exif = picture.getexif()
    exif[0x010F] = "Maker of the camera"
    picture.save(large, "JPEG", quality=95, exif=exif)
    lose_signal(week)
    box(week).locator("form.photo input[type=file]").set_input_files(large)
    expect(said(week).first).to_contain_text("1 photo waiting")
    kept = week.evaluate(
        "async () => (await Outbox.all()).find((one) => one.kind === 'photo').photo.size"
    )
    assert kept < large.stat().st_size / 3

    context.set_offline(False)

    expect(said(week).first).to_contain_text("photos received")
    photo = ReportPhoto.objects.get()
    assert (photo.width_px, photo.height_px) == (1600, 1200)
    with photo.file.open() as file, Image.open(BytesIO(file.read())) as stored:
        assert not dict(stored.getexif())


def test_what_the_office_moved_meanwhile_is_told_and_nothing_is_lost(
    week: Page, context: BrowserContext
) -> None:
    lose_signal(week)
    box(week).get_by_role("button", name="Start Layout").tap()
    expect(said(week)).to_have_count(1)
    other = CrewFactory(name="South crew")
    Phase.objects.filter(code="LAYOUT").update(pinned_crew=Crew.objects.exclude(pk=other.pk).get())
    Booking.objects.filter(phase__code="LAYOUT").update(crew=other)

    context.set_offline(False)

    # It is another crew's now, so its card is gone; what was said and its answer are not.
    expect(week.get_by_text("The office has given this work to South crew")).to_be_visible()
    assert kinds() == ["STARTED"]


def test_what_is_refused_stays_on_the_phone_with_the_reason(
    week: Page, context: BrowserContext
) -> None:
    lose_signal(week)
    box(week).get_by_role("button", name="Start Layout").tap()
    expect(said(week)).to_have_count(1)
    other = CrewFactory(name="South crew")
    Booking.objects.filter(phase__code="LAYOUT").update(crew=other)

    context.set_offline(False)

    expect(week.get_by_role("status")).to_contain_text("1 report was NOT taken")
    expect(week.get_by_text("This work was never published for your crew")).to_be_visible()
    expect(box(week)).to_have_count(0)  # the page is as the office has it now
    assert kinds() == []

    # The office puts it right; the phone sends it again.
    Booking.objects.filter(phase__code="LAYOUT").update(
        crew=Crew.objects.exclude(pk=other.pk).get()
    )
    week.get_by_role("button", name="Send again").tap()
    expect(week.get_by_text("NOT taken")).to_have_count(0)
    wait_until(week, "async () => (await Outbox.all()).every((o) => o.state === 'received')")
    assert kinds() == ["STARTED"]


def test_a_revoked_phone_keeps_its_reports_and_forgets_the_work(
    week: Page, context: BrowserContext
) -> None:
    lose_signal(week)
    box(week).get_by_role("button", name="Start Layout").tap()
    expect(said(week)).to_have_count(1)
    phones.revoke_phone(phone=Phone.objects.get(), now=timezone.now())

    context.set_offline(False)
    expect(week.get_by_role("heading", name="Not signed in")).to_be_visible()
    wait_until(week, "async () => (await (await caches.open('pages')).keys()).length === 0")
    assert kinds() == []

    # Let in again, by another link: what was said goes out.
    _, url = phones.invite(crew=Crew.objects.get(), person_name="Ada Bright", now=timezone.now())
    week.goto(re.sub(r"^https?://[^/]+", "", url))
    week.get_by_role("button", name="Use this phone").click()
    expect(said(week).first).to_contain_text("received")
    assert kinds() == ["STARTED"]


def test_without_scripts_the_same_forms_report(
    browser: Browser, context: BrowserContext, live_server: Any
) -> None:
    plain = browser.new_context(
        base_url=live_server.url,
        java_script_enabled=False,
        service_workers="block",
        storage_state=context.storage_state(),
    )
    plain.set_default_timeout(SOON_MS)
    page = plain.new_page()
    page.goto("/phone/")
    box(page).get_by_role("button", name="Start Layout").click()
    expect(page.get_by_role("status")).to_contain_text("Received.")
    expect(page.get_by_text("Under way").first).to_be_visible()
    plain.close()
    assert kinds() == ["STARTED"]


def test_a_report_box_with_all_of_it_open_reads_well(week: Page, context: BrowserContext) -> None:
    Delivery.objects.filter(job__phases__code="DIG").update(arrived_on=None)
    Phase.objects.filter(code="DIG").update(stopped_by="MATERIAL", stopped_at=timezone.now())
    week.reload()
    lose_signal(week)
    box(week).get_by_role("button", name="Start Layout").tap()
    expect(said(week)).to_have_count(1)
    week.evaluate(
        """() => document.querySelectorAll("details").forEach((one) => {
          one.removeAttribute("name");
          one.open = true;
        })"""
    )
    for scheme in ("light", "dark"):
        week.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
        for width, height in ((390, 844), (360, 640)):
            week.set_viewport_size({"width": width, "height": height})
            assert week.evaluate("document.documentElement.scrollWidth") <= width
            found = Axe().run(week, options=WCAG)
            assert found.violations_count == 0, found.generate_report()
            assert week.evaluate(SMALL_TARGETS) == []
            if folder := os.environ.get("SCREENSHOTS"):
                week.screenshot(path=f"{folder}/report-{scheme}-{width}.png", full_page=True)
