"""A new job by the short way in, and a copy, in a real browser and by keyboard."""

from collections.abc import Callable

import pytest
from django.contrib.auth.models import AbstractUser
from playwright.sync_api import Page, expect

from jobs.models import Job
from tests.browser.test_job_page import PASS_PHRASE, keep_picture, violations
from tests.factories import AuthorityFactory
from tests.service.portfolio import make_firm, make_job

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

CONTRACT = {
    "Buyer:": "Ada Quill",
    "Site address:": "12 Fence Row Road",
    "Town:": "Millbrook Corner",
    "Contract (USD):": "61200",
}


@pytest.fixture
def source(office: AbstractUser) -> Job:
    office.set_password(PASS_PHRASE)
    office.save()
    make_firm()
    AuthorityFactory(name="Harrow County Building Office")
    return make_job(number="26-001")


def fill_contract(page: Page) -> None:
    for label, text in CONTRACT.items():
        page.get_by_label(label, exact=True).fill(text)


def test_options_are_explained_and_the_job_is_signed(
    page: Page, source: Job, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    sign_in(page, office.username, PASS_PHRASE)
    page.get_by_role("link", name="New job").click()
    expect(page.get_by_label("Buyer:", exact=True)).to_be_focused()

    page.get_by_label("Width (ft):", exact=True).fill("40")
    page.get_by_role("button", name="Show what options do").click()
    expect(page.get_by_role("heading", name="What it would take")).to_be_visible()
    keep_picture(page, "intake-desk")
    found = violations(page)
    assert found == [], "\n".join(found)
    fill_contract(page)
    page.get_by_role("button", name="Sign the job").press("Enter")

    expect(page.get_by_text("is signed:")).to_be_visible()
    assert Job.objects.get(buyer_name="Ada Quill").width_ft == 40


def test_a_job_is_copied_on_a_phone(
    phone_page: Page, source: Job, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    sign_in(phone_page, office.username, PASS_PHRASE)
    phone_page.goto(f"/admin/jobs/job/{source.pk}/change/")
    phone_page.get_by_role("link", name="Copy", exact=True).click()
    keep_picture(phone_page, "copy-phone")
    assert phone_page.evaluate("document.documentElement.scrollWidth") <= 390
    found = violations(phone_page)
    assert found == [], "\n".join(found)

    fill_contract(phone_page)
    phone_page.get_by_role("button", name="Sign the job").click()

    expect(phone_page.get_by_text("is signed:")).to_be_visible()
    assert Job.objects.get(buyer_name="Ada Quill").length_ft == source.length_ft
