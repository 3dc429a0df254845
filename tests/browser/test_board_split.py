"""A phase split ahead from the board: typed, shown, accepted, told as two bars, and joined."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from jobs.models import BoardMove, Phase
from tests.browser.test_board import (
    PASS_PHRASE,
    SIDEWAYS,
    booked,
    firm,
    keep_picture,
    open_board,
    violations,
)
from tests.service.portfolio import next_working_day

__all__ = ["firm"]

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_a_phase_is_split_by_its_form_and_put_together(
    phone_page: Page, firm: None, sign_in: Callable[..., None]
) -> None:
    page = phone_page
    sign_in(page, "office", PASS_PHRASE)
    row = booked("ROOF")
    open_board(page, f"?phase={row.phase_id}")
    panel = page.locator("#board-panel")
    day = next_working_day(timezone.localdate(row.ends_at) + timedelta(days=5))

    panel.get_by_label("Percent to do first").fill("40")
    panel.get_by_label("The rest goes on").fill(day.isoformat())
    assert violations(page) == []
    assert page.evaluate(SIDEWAYS) <= 0
    keep_picture(page, "board-split-form")
    panel.get_by_role("button", name="Show this split").click()
    expect(panel.get_by_role("heading", name="What would follow")).to_be_visible()
    expect(panel).to_contain_text("roof steel, part 2 of 2")
    expect(panel).to_contain_text("stays braced until the rest is on")
    assert not BoardMove.objects.exists()
    keep_picture(page, "board-split-answer")

    panel.get_by_role("button", name="Accept").click()
    expect(panel.get_by_role("heading", name="Accepted")).to_be_visible()
    first, rest = Phase.objects.filter(job__number="26-001", code="ROOF").order_by("part")
    assert (first.parts, rest.parts, rest.pinned_crew) == (2, 2, row.crew)
    assert timezone.localdate(rest.pinned_start_at) == day

    open_board(page, f"?phase={rest.pk}")
    expect(panel.get_by_role("heading", name="Roof steel, part 2 of 2")).to_be_visible()
    keep_picture(page, "board-split-parts")
    panel.get_by_role("button", name="Put the parts together").click()
    expect(panel.get_by_role("heading", name="What would follow")).to_be_visible()
    panel.get_by_role("button", name="Accept").click()
    expect(panel.get_by_role("heading", name="Accepted")).to_be_visible()
    first.refresh_from_db()
    assert (first.parts, first.share_of_whole) == (1, 1.0)
