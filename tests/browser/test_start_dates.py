"""The seller's page of start dates on a phone, in front of a buyer."""

import re
from collections.abc import Callable, Generator

import pytest
import time_machine
from axe_playwright_python.sync_playwright import Axe
from django.contrib.auth.models import AbstractUser
from playwright.sync_api import Page, expect

from tests.factories import AuthorityFactory
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASS_PHRASE = "a long pass phrase"
WCAG = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
DESK = {"width": 1280, "height": 900}


def violations(page: Page) -> list[str]:
    """Return what axe finds against WCAG 2.2 AA, by rule and place."""
    # axe tries styles of its own, which our Content-Security-Policy rightly blocks and tells.
    page.is_examined = True  # type: ignore[attr-defined]
    found = Axe().run(page, options=WCAG).response["violations"]
    page.is_examined = False  # type: ignore[attr-defined]
    return [f"{row['id']}: {node['target']}" for row in found for node in row["nodes"]]


def is_wide(page: Page) -> bool:
    """Return whether a page is to be scrolled sideways."""
    wide: bool = page.evaluate("document.documentElement.scrollWidth > window.innerWidth")
    return wide


@pytest.fixture
def firm(office: AbstractUser) -> Generator[None]:
    """A firm with two crews, one sold job and one authority."""
    office.set_password(PASS_PHRASE)
    office.save()
    make_firm(crews=2)
    harrow = AuthorityFactory(name="Harrow County Building Office")
    cover_digging(make_job(number="26-001", authority=harrow))
    with time_machine.travel(MONDAY, tick=False):
        yield


def test_a_seller_asks_on_a_phone_by_keyboard(
    phone_page: Page,
    firm: None,
    office: AbstractUser,
    sign_in: Callable[[Page, str, str], None],
) -> None:
    page = phone_page
    sign_in(page, office.username, PASS_PHRASE)
    page.get_by_role("link", name="Start dates").click()
    page.get_by_label("Length (ft)").fill("60")
    page.get_by_label("Wanted by").fill("2026-06-20")
    page.get_by_label("Length (ft)").press("Enter")

    expect(page.get_by_role("heading", name="When it could be done")).to_be_visible()
    expect(page.get_by_role("heading", name="As described")).to_be_visible()
    expect(
        page.get_by_role("heading", name="Put first, to be done by Jun 20, 2026")
    ).to_be_visible()
    expect(page.get_by_role("heading", name="Poured piers")).to_be_visible()
    expect(
        page.get_by_text("than described").or_(page.get_by_text("As soon as")).first
    ).to_be_visible()
    expect(page.get_by_text("planned days go to")).to_be_visible()
    # The material is there in time or not, by what is left of the firm's lead times.
    whys = page.get_by_text(re.compile("days: a (permit|delivery)")).first
    expect(whys).to_be_hidden()
    for fold in page.get_by_text("All days, and why (").all():
        fold.focus()
        fold.press("Enter")
    expect(whys).to_be_visible()
    expect(page.get_by_label("Length (ft)")).to_have_value("60")
    assert not is_wide(page)
    assert violations(page) == []
    page.set_viewport_size(DESK)
    assert not is_wide(page)
    assert violations(page) == []
