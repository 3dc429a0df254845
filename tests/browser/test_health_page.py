"""Is it running: the page of what is wrong fits a desk and a phone, passes axe, and is pressed."""

from collections.abc import Callable

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.contrib.auth.models import AbstractUser
from django.utils import timezone
from playwright.sync_api import Page, expect

from jobs.models import TaskRequest

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASS_PHRASE = "a long pass phrase"
SCROLLS_SIDEWAYS = "document.documentElement.scrollWidth > window.innerWidth"
WCAG = {
    "runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
}


@pytest.fixture
def trouble(office: AbstractUser) -> TaskRequest:
    office.set_password(PASS_PHRASE)
    office.save()
    now = timezone.now()
    return TaskRequest.objects.create(
        kind="FEEDS",
        reason="field reports",
        status="PARKED",
        requested_at=now,
        next_try_at=now,
        error="KeyError: a_name_that_is_much_too_long_for_a_line_on_a_phone_and_does_not_break",
    )


@pytest.mark.parametrize("wide", ["page", "phone_page"])
def test_it_passes_axe_fits_and_tries_again_by_keyboard(
    wide: str,
    request: pytest.FixtureRequest,
    trouble: TaskRequest,
    office: AbstractUser,
    sign_in: Callable[[Page, str, str], None],
) -> None:
    page: Page = request.getfixturevalue(wide)
    sign_in(page, office.username, PASS_PHRASE)
    page.get_by_role("link", name="Is it running?").click()
    expect(page.locator(".running li").first).to_contain_text("Wrong")
    assert not page.evaluate(SCROLLS_SIDEWAYS)
    page.is_examined = True  # type: ignore[attr-defined]
    found = Axe().run(page, options=WCAG).response["violations"]
    assert [f"{row['id']}: {node['target']}" for row in found for node in row["nodes"]] == []

    page.get_by_role("button", name="Try again: Work given up").press("Enter")

    expect(page.get_by_text("1 asked for again")).to_be_visible()
    expect(page.locator("#parked")).to_contain_text("Fine")
    trouble.refresh_from_db()
    assert trouble.status != TaskRequest.Status.PARKED
