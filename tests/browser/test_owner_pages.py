"""The owner's page and the page of learning, at a desk and on a phone."""

from collections.abc import Callable, Generator
from datetime import timedelta

import pytest
import time_machine
from django.contrib.auth.models import AbstractUser
from playwright.sync_api import Page, expect

from crews.models import Crew
from jobs.models import LeftOutWork, Phase
from jobs.services import planning, publishing
from jobs.services.forecasting import forecast_now
from tests.factories import PhaseFactory
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASS_PHRASE = "a long pass phrase"
SCROLLS_SIDEWAYS = "document.documentElement.scrollWidth > window.innerWidth"


@pytest.fixture
def firm(office: AbstractUser) -> Generator[None]:
    """A firm with a published and forecast plan, and one finished frame."""
    office.set_password(PASS_PHRASE)
    office.save()
    make_firm(crews=2)
    for number in (1, 2):
        cover_digging(make_job(number=f"26-00{number}"))
    with time_machine.travel(MONDAY, tick=False):
        draft = planning.plan_now(now=MONDAY, budget_seconds=0)
        publishing.publish(plan_id=draft.pk, now=MONDAY)
        forecast_now(now=MONDAY, draws=40)
        PhaseFactory(
            job__number="26-100",
            status=Phase.Status.DONE,
            share_done=1,
            crew=Crew.objects.order_by("pk")[0],
            started_at=MONDAY - timedelta(days=12),
            done_at=MONDAY - timedelta(days=10),
            reported_hours=90,
        )
        yield


def test_the_owners_page_draws_and_tells_the_same(
    page: Page, firm: None, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    sign_in(page, office.username, PASS_PHRASE)
    page.get_by_role("link", name="The firm at a glance").click()

    expect(page.get_by_role("img", name="Finish of each job against its promise")).to_be_visible()
    expect(page.get_by_role("img", name="Booked hours by week")).to_be_visible()
    expect(page.get_by_role("columnheader", name="Chance to keep it")).to_be_visible()
    expect(page.locator("svg text", has_text="26-001")).to_be_visible()


def test_both_pages_fit_a_phone_and_work_is_left_out_on_it(
    phone_page: Page, firm: None, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    page = phone_page
    sign_in(page, office.username, PASS_PHRASE)
    page.get_by_role("link", name="The firm at a glance").click()
    expect(page.get_by_role("heading", name="Load against capacity")).to_be_visible()
    assert not page.evaluate(SCROLLS_SIDEWAYS)

    page.goto("/admin/jobs/laborrate/learning/")
    assert not page.evaluate(SCROLLS_SIDEWAYS)
    page.get_by_text("Leave out", exact=True).click()
    page.get_by_label("Why").fill("the lift broke down")
    page.get_by_label("Why").press("Enter")

    expect(page.get_by_role("heading", name="Left out (1)")).to_be_visible()
    assert LeftOutWork.objects.get().reason == "the lift broke down"
