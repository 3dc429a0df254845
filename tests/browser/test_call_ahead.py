"""The week's calls to suppliers and the page of holds, at a desk and on a phone."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth.models import AbstractUser
from django.utils import timezone
from playwright.sync_api import Page, expect

from jobs.models import Delivery, DeliveryReport
from jobs.services import planning
from tests.service.portfolio import make_firm, make_job

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASS_PHRASE = "a long pass phrase"
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


@pytest.fixture
def trusses(office: AbstractUser) -> Delivery:
    """Trusses that are promised for the day after tomorrow, in a firm with a draft."""
    office.set_password(PASS_PHRASE)
    office.save()
    make_firm()
    job = make_job(number="26-901")
    rows = Delivery.objects.filter(job=job, item="TRUSSES")
    rows.update(
        arrived_on=None,
        supplier="Ridgepole Truss Works",
        promised_on=timezone.localdate() + timedelta(days=2),
    )
    planning.plan_now(now=timezone.now(), budget_seconds=0)
    return rows.get()


def test_the_office_confirms_and_undoes_by_keyboard(
    page: Page, sign_in: Callable[..., None], trusses: Delivery
) -> None:
    sign_in(page, "office", PASS_PHRASE)
    page.get_by_role("link", name="Call ahead").first.click()

    page.get_by_role("button", name="Confirmed for").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text("Confirmed, noted")).to_be_visible()
    page.get_by_role("button", name="Undo: confirmed").focus()
    page.keyboard.press("Enter")

    expect(page.get_by_text("undone")).to_be_visible()
    page.goto("about:blank")
    trusses.refresh_from_db()
    assert trusses.confirmed_on is None


def test_what_came_short_is_noted_on_a_phone(
    phone_page: Page, sign_in: Callable[..., None], trusses: Delivery
) -> None:
    sign_in(phone_page, "office", PASS_PHRASE)
    phone_page.goto("/admin/jobs/delivery/call-ahead/")

    phone_page.get_by_label("Short or damaged").fill("2 broken")
    phone_page.get_by_role("button", name="Arrived", exact=True).click()

    expect(phone_page.get_by_text("short or damaged (2 broken)").first).to_be_visible()
    assert phone_page.evaluate(SIDEWAYS) == 0
    phone_page.goto("about:blank")
    assert DeliveryReport.objects.get().note == "short or damaged: 2 broken"


def test_no_page_scrolls_sideways_on_a_phone(
    phone_page: Page, sign_in: Callable[..., None], trusses: Any
) -> None:
    sign_in(phone_page, "office", PASS_PHRASE)

    for address in ("/admin/jobs/delivery/call-ahead/", "/admin/jobs/job/holds/"):
        phone_page.goto(address)
        expect(phone_page.get_by_text("Trusses promised for").first).to_be_visible()
        assert phone_page.evaluate(SIDEWAYS) == 0, address


def test_the_job_page_leads_to_its_holds(
    page: Page, sign_in: Callable[..., None], trusses: Delivery
) -> None:
    sign_in(page, "office", PASS_PHRASE)
    page.goto(f"/admin/jobs/job/{trusses.job_id}/change/")

    page.get_by_role("link", name="Holds", exact=True).last.click()

    expect(page.get_by_text("Supplier: Ridgepole Truss Works")).to_be_visible()
