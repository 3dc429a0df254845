"""The seller's page of start dates on a phone, in front of a buyer."""

from collections.abc import Callable, Generator

import pytest
import time_machine
from django.contrib.auth.models import AbstractUser
from playwright.sync_api import Page, expect

from tests.factories import AuthorityFactory
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASS_PHRASE = "a long pass phrase"


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
    page.get_by_text("Why (").first.click()
    expect(page.get_by_text("days: a delivery").first).to_be_visible()
    expect(page.get_by_label("Length (ft)")).to_have_value("60")
    wide = page.evaluate("document.documentElement.scrollWidth > window.innerWidth")
    assert not wide
