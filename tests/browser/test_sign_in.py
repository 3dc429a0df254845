"""The way in, in a real browser."""

from collections.abc import Callable

import pytest
from django.contrib.auth.models import AbstractUser
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_the_sign_in_page_asks_for_name_and_password(page: Page) -> None:
    page.goto("/admin/")

    expect(page.get_by_label("Username")).to_be_visible()
    expect(page.get_by_label("Password")).to_be_visible()
    expect(page.get_by_role("button", name="Log in")).to_be_enabled()


def test_the_sign_in_page_fits_a_phone(phone_page: Page) -> None:
    phone_page.goto("/admin/login/")

    assert phone_page.evaluate("document.documentElement.scrollWidth") <= 390


def test_someone_of_the_office_gets_in(
    page: Page, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    office.set_password("a long pass phrase")
    office.save()

    sign_in(page, office.username, "a long pass phrase")

    expect(page.get_by_role("button", name="Log out")).to_be_visible()
