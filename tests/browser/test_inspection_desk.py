"""The inspection desk in a browser: a morning's calls at a desk, and the same page on a phone."""

from collections.abc import Callable, Generator
from datetime import timedelta

import pytest
import time_machine
from django.contrib.auth.models import AbstractUser
from playwright.sync_api import Page, expect

from inspections.models import Inspection
from jobs.models import Job
from tests.service.inspecting import asked, finish, phase, published_job
from tests.service.portfolio import MONDAY

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASS_PHRASE = "a long pass phrase"
NOON = MONDAY + timedelta(hours=6)
ADDRESS = "/admin/inspections/inspection/desk/"


@pytest.fixture
def dug(office: AbstractUser) -> Generator[Job]:
    """A published job whose holes are dug, at noon of that Monday."""
    office.set_password(PASS_PHRASE)
    office.save()
    job = published_job(number="26-001")
    finish(job, "LAYOUT", "DIG", at=NOON - timedelta(hours=1))
    with time_machine.travel(NOON, tick=False):
        yield job


def test_the_office_asks_records_a_failure_and_takes_it_back(
    page: Page, dug: Job, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    sign_in(page, office.username, PASS_PHRASE)
    page.get_by_role("link", name="Inspection desk").click()
    expect(page.get_by_role("heading", name="Call in today (1)")).to_be_visible()
    expect(page.get_by_text("Mon Jun 1, 16:00").first).to_be_visible()

    page.get_by_role("button", name="Asked: Hole inspection, job 26-001").click()
    expect(page.get_by_role("heading", name="Call in today (0)")).to_be_visible()
    expect(page.get_by_role("heading", name="Booked (1)")).to_be_visible()

    page.get_by_text("What came of it").click()
    page.get_by_label("Note").fill("too shallow")
    page.get_by_role("button", name="Failed").click()
    expect(page.get_by_text("Hole inspection of job 26-001: failed.")).to_be_visible()
    expect(page.get_by_text("shows what this moves")).to_be_visible()
    assert phase(dug, "HOLE_REWORK").status == "OPEN"

    page.get_by_role("button", name="Undo: Hole inspection").first.click()
    expect(page.get_by_role("heading", name="Booked (1)")).to_be_visible()
    visit = Inspection.objects.get()
    assert visit.status == "REQUESTED"
    assert visit.events.count() == 3


def test_a_phone_shows_the_desk_without_scrolling_sideways(
    phone_page: Page, dug: Job, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    asked(dug, "HOLE_INSPECTION", now=NOON)
    sign_in(phone_page, office.username, PASS_PHRASE)

    phone_page.goto(ADDRESS)

    expect(phone_page.get_by_role("heading", name="Booked (1)")).to_be_visible()
    width = phone_page.evaluate("document.documentElement.scrollWidth")
    assert width <= 390


def test_an_outcome_is_entered_by_keyboard_alone(
    page: Page, dug: Job, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    asked(dug, "HOLE_INSPECTION", now=NOON)
    sign_in(page, office.username, PASS_PHRASE)
    page.goto(ADDRESS)

    page.get_by_text("What came of it").focus()
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Inspector absent").focus()
    page.keyboard.press("Enter")

    expect(page.get_by_text("Hole inspection of job 26-001: inspector absent.")).to_be_visible()
