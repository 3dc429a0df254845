"""The booking board in a browser: by keys, by pointer, by typed date, and two people at once."""

import os
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.contrib.auth.models import AbstractUser
from django.utils import timezone
from playwright.sync_api import Browser, Page, expect

from jobs.models import BoardMove, Booking, Delivery, Phase
from jobs.selectors.board_version import plan_at_hand
from jobs.services import planning, publishing
from tests.browser.conftest import SOON_MS
from tests.service.portfolio import make_firm, make_job, next_working_day

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASS_PHRASE = "a long pass phrase"
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
WCAG = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"],
    # A bar is as wide as its hours; the list of a job's bookings in the panel is the larger
    # control for the same (WCAG 2.2, success criterion 2.5.8, exception "Equivalent").
    "rules": {"target-size": {"enabled": False}},
}


@pytest.fixture
def firm(office: AbstractUser) -> None:
    """Two crews and three jobs, published now."""
    office.set_password(PASS_PHRASE)
    office.save()
    make_firm(crews=2)
    for number in ("26-001", "26-002", "26-003"):
        make_job(number=number, site_town="Elm Fork")
    Delivery.objects.update(arrived_on=timezone.localdate() - timedelta(days=3))
    now = timezone.now()
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)


def open_board(page: Page, query: str = "") -> None:
    """Go to the board and wait until keys and pointer work."""
    page.goto(f"/admin/board/{query}")
    page.wait_for_selector("#board[data-ready]")


def crew_bar(page: Page, code: str, number: str = "26-001") -> Any:
    phase = Phase.objects.get(job__number=number, code=code)
    return page.locator(f'.board-row[data-row^="crew-"] a.bar[data-p="{phase.pk}"]')


def booked(code: str, number: str = "26-001") -> Booking:
    plan = plan_at_hand()
    return Booking.objects.get(plan=plan, phase__code=code, phase__job__number=number)


def keep_picture(page: Page, name: str) -> None:
    """Keep a picture of the page where PICTURES names a folder, for people to look at."""
    if folder := os.environ.get("PICTURES"):
        page.screenshot(path=str(Path(folder) / f"{name}.png"))


def violations(page: Page) -> list[str]:
    """Return what axe finds against WCAG 2.2 AA, by rule and place."""
    found = Axe().run(page, options=WCAG).response["violations"]
    return [f"{row['id']}: {node['target']}" for row in found for node in row["nodes"]]


def test_a_bar_is_carried_by_keys_accepted_and_undone(
    page: Page, firm: None, sign_in: Callable[..., None]
) -> None:
    sign_in(page, "office", PASS_PHRASE)
    page.get_by_role("link", name="Booking board").click()
    page.wait_for_selector("#board[data-ready]")
    before = booked("TRIM")
    panel = page.locator("#board-panel")

    crew_bar(page, "TRIM").focus()
    page.keyboard.press("m")
    expect(page.locator("#board-say")).to_contain_text("Enter asks what would follow")
    for _ in range(7):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    expect(panel.get_by_role("heading", level=2)).to_be_focused()
    keep_picture(page, "board-answer")
    if panel.get_by_role("heading", name="This cannot be").count():
        panel.get_by_role("button", name="Try").press("Enter")
    expect(panel.get_by_role("heading", name="What would follow")).to_be_visible()
    assert not BoardMove.objects.exists()
    assert violations(page) == []

    panel.get_by_role("button", name="Accept").press("Enter")
    expect(panel.get_by_role("heading", name="Accepted")).to_be_visible()
    assert booked("TRIM").starts_at > before.starts_at
    expect(page.locator("#board-plan-words")).to_contain_text("a draft")
    keep_picture(page, "board-accepted")

    panel.get_by_role("button", name="Undo").press("Enter")
    expect(panel.get_by_role("heading", name="Undone")).to_be_visible()
    assert booked("TRIM").starts_at == before.starts_at


def test_escape_puts_a_carried_bar_back(
    page: Page, firm: None, sign_in: Callable[..., None]
) -> None:
    sign_in(page, "office", PASS_PHRASE)
    open_board(page)

    crew_bar(page, "TRIM").focus()
    page.keyboard.press("m")
    page.keyboard.press("ArrowDown")
    expect(page.locator(".board-ghost")).to_be_visible()
    page.keyboard.press("Escape")

    expect(page.locator(".board-ghost")).to_have_count(0)
    expect(page.locator("#board-say")).to_have_text("Put back.")


def test_arrows_go_from_bar_to_bar_and_tab_stops_once(
    page: Page, firm: None, sign_in: Callable[..., None]
) -> None:
    sign_in(page, "office", PASS_PHRASE)
    open_board(page)

    assert page.locator('a.bar[tabindex="0"]').count() == 1
    page.locator('a.bar[tabindex="0"]').focus()
    first = page.evaluate("document.activeElement.dataset.p")
    page.keyboard.press("ArrowRight")
    assert page.evaluate("document.activeElement.dataset.p") != first
    page.keyboard.press("Home")
    assert page.evaluate("document.activeElement.dataset.p") == first
    assert page.locator('a.bar[tabindex="0"]').count() == 1
    page.keyboard.press("Enter")

    expect(page.get_by_role("heading", name="Why it is where it is")).to_be_visible()
    keep_picture(page, "board-picked")
    assert violations(page) == []


def test_what_is_said_of_a_bar_is_reached_and_left_by_keys(
    page: Page, firm: None, sign_in: Callable[..., None]
) -> None:
    sign_in(page, "office", PASS_PHRASE)
    open_board(page)
    bar, tip = crew_bar(page, "TRIM"), page.locator(".board-tip")

    page.locator('a.bar[tabindex="0"]').focus()
    page.keyboard.press("End")
    expect(tip).to_have_text(page.evaluate("document.activeElement.getAttribute('aria-label')"))
    page.keyboard.press("Escape")
    expect(tip).to_have_count(0)
    bar.hover()
    expect(tip).to_contain_text("Trim and corners")

    bar.focus()
    page.keyboard.press("Enter")
    expect(page.locator("[data-picked]")).to_be_visible()
    page.keyboard.press("Enter")
    expect(page.locator("#board-panel h2")).to_be_focused()
    page.keyboard.press("Escape")
    expect(bar).to_be_focused()
    # All of the picked job stands out, on whatever row it is.
    assert page.locator("a.bar.of-job").count() > 1


@pytest.mark.parametrize("width", [1280, 1680])
def test_three_weeks_fill_the_window_and_go_on_paper(
    page: Page, firm: None, sign_in: Callable[..., None], width: int
) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    sign_in(page, "office", PASS_PHRASE)
    open_board(page)

    region = page.locator(".board-scroll")
    drawn = "e => e.querySelector('.board-head').offsetWidth - e.clientWidth"
    assert -30 < region.evaluate(drawn) <= 0
    keep_picture(page, f"board-{width}")

    page.emulate_media(media="print")
    expect(page.locator(".board-side")).to_be_hidden()
    expect(page.locator(".board-bar").first).to_be_hidden()
    # Nothing of the board is left in a box that paper cannot scroll.
    assert page.locator(".board-scroll").evaluate("e => getComputedStyle(e).overflow") == "visible"
    expect(page.locator('.board-row[data-row^="crew-"]').last).to_be_visible()


def test_a_bar_is_dragged_to_another_crew(
    page: Page, firm: None, sign_in: Callable[..., None]
) -> None:
    sign_in(page, "office", PASS_PHRASE)
    open_board(page)
    bar = crew_bar(page, "WALLS")
    row = booked("WALLS")
    other = page.locator(f'.board-row[data-row^="crew-"]:not([data-row="crew-{row.crew_id}"])')

    from_box, to_box = bar.bounding_box(), other.first.bounding_box()
    assert from_box is not None
    assert to_box is not None
    page.mouse.move(from_box["x"] + 5, from_box["y"] + 10)
    page.mouse.down()
    page.mouse.move(from_box["x"] + 60, from_box["y"] + 12, steps=4)
    page.mouse.move(from_box["x"] + 120, to_box["y"] + 24, steps=4)
    expect(page.locator(".board-ghost")).to_be_visible()
    keep_picture(page, "board-dragged")
    page.mouse.up()

    expect(page.locator("#board-panel .board-answer")).to_be_visible()
    expect(page.locator(".board-ghost")).to_have_count(0)
    assert not BoardMove.objects.exists()


def test_a_date_and_crew_are_typed_without_script(
    browser: Browser, live_server: Any, firm: None, sign_in: Callable[..., None]
) -> None:
    context = browser.new_context(base_url=live_server.url, java_script_enabled=False)
    context.set_default_timeout(SOON_MS)
    page = context.new_page()
    sign_in(page, "office", PASS_PHRASE)
    row = booked("TRIM")

    page.goto(f"/admin/board/?phase={row.phase_id}")
    day = next_working_day(timezone.localdate(row.starts_at) + timedelta(days=14))
    page.get_by_label("Day", exact=True).first.fill(day.isoformat())
    page.locator("#board-panel").get_by_role("button", name="What would follow?").click()
    expect(page.get_by_role("heading", name="What would follow")).to_be_visible()
    page.get_by_role("button", name="Accept").click()

    expect(page.get_by_text("Accepted:")).to_be_visible()
    assert timezone.localdate(booked("TRIM").starts_at) == day


def test_two_people_see_each_other_and_a_stale_move_is_refused(
    page: Page, browser: Browser, live_server: Any, firm: None, sign_in: Callable[..., None]
) -> None:
    context = browser.new_context(base_url=live_server.url)
    context.set_default_timeout(SOON_MS)
    other = context.new_page()
    for one in (page, other):
        sign_in(one, "office", PASS_PHRASE)
    open_board(other)
    row = booked("TRIM")
    open_board(page, f"?phase={row.phase_id}")
    later = next_working_day(timezone.localdate(row.starts_at) + timedelta(days=14))

    other.goto(f"/admin/board/?phase={row.phase_id}")
    other.wait_for_selector("#board[data-ready]")
    other.get_by_label("Day", exact=True).first.fill(later.isoformat())
    other.locator("#board-panel").get_by_role("button", name="What would follow?").click()
    other.get_by_role("button", name="Accept").click()
    expect(other.get_by_role("heading", name="Accepted")).to_be_visible()

    expect(page.locator("#board-say")).to_contain_text("The board has changed")
    expect(page.locator("#board-say")).to_contain_text("by office")
    # The panel still holds what was known before: its move is a stale one.
    page.locator("#board-panel").get_by_role("button", name="A week later").click()
    expect(page.get_by_role("heading", name="The board has changed meanwhile")).to_be_visible()
    keep_picture(page, "board-stale")
    page.get_by_role("button", name="Ask again on the board as it is").click()
    expect(
        page.get_by_role("heading", name="What would follow").or_(
            page.get_by_role("heading", name="This cannot be")
        )
    ).to_be_visible()
    assert BoardMove.objects.count() == 1


def test_the_board_reads_on_a_phone(
    phone_page: Page, firm: None, sign_in: Callable[..., None]
) -> None:
    page = phone_page
    sign_in(page, "office", PASS_PHRASE)
    open_board(page)

    assert page.evaluate(SIDEWAYS) <= 0
    crew_bar(page, "LAYOUT").tap()
    expect(page.get_by_role("heading", name="Why it is where it is")).to_be_visible()
    assert page.evaluate(SIDEWAYS) <= 0
    assert violations(page) == []
    keep_picture(page, "board-phone")


def test_every_view_of_the_board_passes_axe(
    page: Page, firm: None, sign_in: Callable[..., None]
) -> None:
    sign_in(page, "office", PASS_PHRASE)

    for query in ("", "?rows=jobs", "?weeks=26", "?plan=published"):
        open_board(page, query)
        page.locator("summary").evaluate_all(
            "all => all.forEach(one => one.parentNode.open = true)"
        )
        assert violations(page) == [], query
        keep_picture(page, f"board-{query.strip('?').replace('=', '-') or 'usual'}")
