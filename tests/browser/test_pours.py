"""A pour's page: its curve, a reading typed on site, and no sideways scrolling on a phone."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.contrib.auth.models import AbstractUser
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import Page, expect

from inspections.models import Pour, PourReading
from jobs.services import planning
from tests.factories import PourFactory
from tests.service.portfolio import make_firm, make_job

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASS_PHRASE = "a long pass phrase"
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


@pytest.fixture
def pour(office: AbstractUser) -> Pour:
    """Collars poured two days ago and read once since, in a firm with a draft."""
    office.set_password(PASS_PHRASE)
    office.save()
    make_firm()
    job = make_job(number="26-901", foundation="POURED_PIER", slab_in=4)
    poured_at = timezone.now() - timedelta(hours=50)
    for code in ("LAYOUT", "DIG", "HOLE_INSPECTION", "POUR", "POSTS"):
        job.phases.filter(code=code).update(
            status="DONE", share_done=1, started_at=poured_at, done_at=poured_at
        )
    made = PourFactory(
        phase=job.phases.get(code="POSTS"), poured_at=poured_at, placed_degf=57, ground_degf=47
    )
    PourReading.objects.create(pour=made, taken_at=poured_at + timedelta(hours=20), temp_degf=44)
    planning.plan_now(now=timezone.now(), budget_seconds=0)
    return made


def test_the_office_types_a_reading_by_keyboard(
    page: Page, sign_in: Callable[..., None], pour: Pour
) -> None:
    sign_in(page, "office", PASS_PHRASE)
    page.goto(reverse("admin:inspections_pour_change", args=[pour.pk]))
    expect(page.get_by_role("img", name="Strength of set posts against time")).to_be_visible()

    page.get_by_label("Temperature (°F)").first.focus()
    page.keyboard.type("41")
    page.keyboard.press("Enter")

    expect(page.get_by_text("Concrete 41 °F is stored.")).to_be_visible()
    expect(page.get_by_text("A better one is looked for.")).to_be_visible()
    page.goto("about:blank")
    assert pour.readings.count() == 2


def test_a_reading_is_typed_on_a_phone_without_sideways_scrolling(
    phone_page: Page, sign_in: Callable[..., None], pour: Pour
) -> None:
    sign_in(phone_page, "office", PASS_PHRASE)
    phone_page.goto(reverse("admin:inspections_pour_change", args=[pour.pk]))

    width: Any = phone_page.evaluate(SIDEWAYS)
    phone_page.get_by_label("Temperature (°F)").first.fill("40")
    phone_page.get_by_role("button", name="Add the reading").tap()

    expect(phone_page.get_by_text("Concrete 40 °F is stored.")).to_be_visible()
    assert width == 0


def test_the_job_page_shows_pours_made_and_to_come(
    page: Page, sign_in: Callable[..., None], pour: Pour
) -> None:
    sign_in(page, "office", PASS_PHRASE)

    page.goto(reverse("admin:jobs_job_change", args=[pour.phase.job_id]))

    page.get_by_role("heading", name="Concrete", exact=True).click()
    expect(page.get_by_role("img", name="Strength of slab against time")).to_be_visible()
    expect(page.get_by_text("expected").locator("visible=true").first).to_be_visible()
