"""A rain day at a desk and on a phone: one press, the proposal, and accepting it."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.contrib.auth.models import AbstractUser
from django.utils import timezone
from playwright.sync_api import Page, expect

from jobs.models import FieldReport, Phase, Plan, ReplanProposal
from jobs.services import planning, publishing
from tests.service.portfolio import make_firm, make_job

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASS_PHRASE = "a long pass phrase"
PROPOSALS = "/admin/jobs/replanproposal/"
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


@pytest.fixture
def dug(office: AbstractUser) -> Phase:
    """Holes that a crew has begun to dig, as the published plan tells it."""
    office.set_password(PASS_PHRASE)
    office.email = "office@firm.example"
    office.save()
    crew, _ = make_firm()
    now = timezone.now()
    job = make_job(number="26-901", promised_on=timezone.localdate() + timedelta(days=40))
    make_job(number="26-902")
    dig = job.phases.get(code="DIG")
    before = job.phases.filter(sequence__lt=dig.sequence)
    begun = now - timedelta(days=1)
    before.update(status="DONE", started_at=begun, done_at=begun)
    Phase.objects.filter(pk=dig.pk).update(status="UNDER_WAY", started_at=begun, crew=crew)
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)
    return dig


def press_rain(page: Page, sign_in: Callable[[Page, str, str], None]) -> None:
    """Rain off all crews, as the form has them chosen."""
    sign_in(page, "office", PASS_PHRASE)
    page.goto(PROPOSALS)
    page.get_by_role("button", name="Propose a plan for the rain day").click()
    expect(page.get_by_role("heading", name="Who moves")).to_be_visible()


def test_one_press_proposes_and_one_accepts(
    page: Page, sign_in: Callable[[Page, str, str], None], dug: Phase
) -> None:
    press_rain(page, sign_in)

    expect(page.get_by_text("Dig holes 26-901").first).to_be_visible()
    page.get_by_role("button", name="Accept and publish").focus()
    page.keyboard.press("Enter")

    expect(page.get_by_text("is published.")).to_be_visible()
    page.goto("about:blank")
    proposal = ReplanProposal.objects.get()
    assert (proposal.state, proposal.plan.status) == ("ACCEPTED", Plan.Status.PUBLISHED)
    assert FieldReport.objects.get(phase=dug, kind="STOPPED").stopped_by == "WEATHER"


def test_a_coming_rain_day_is_proposed_by_keyboard_alone(
    page: Page, sign_in: Callable[[Page, str, str], None], dug: Phase
) -> None:
    sign_in(page, "office", PASS_PHRASE)
    page.goto("/admin/desk/rain/")
    coming = page.locator('.day-tabs a:not([aria-current]):has-text("outdoors")')
    coming.filter(has_not_text="no crew").first.press("Enter")
    box = page.get_by_role("checkbox").first
    box.press("Space")
    expect(box).to_be_checked()
    page.get_by_role("button", name="Propose a plan for this rain day").press("Enter")

    expect(page.get_by_role("heading", name="Who moves")).to_be_visible()
    page.goto("about:blank")
    assert ReplanProposal.objects.get().state == "OPEN"


def test_it_is_dropped_with_a_reason_on_a_phone(
    phone_page: Page, sign_in: Callable[[Page, str, str], None], dug: Phase
) -> None:
    press_rain(phone_page, sign_in)

    assert phone_page.evaluate(SIDEWAYS) == 0
    phone_page.get_by_label("Why it is dropped").fill("It stayed dry")
    phone_page.get_by_role("button", name="Drop this proposal").click()

    expect(phone_page.get_by_text("The published plan stays.")).to_be_visible()
    phone_page.goto("about:blank")
    assert ReplanProposal.objects.get().drop_reason == "It stayed dry"


def test_no_list_scrolls_sideways_on_a_phone(
    phone_page: Page, sign_in: Callable[[Page, str, str], None], dug: Phase
) -> None:
    press_rain(phone_page, sign_in)

    for rows in ("replanproposal", "slip", "notice", "taskrequest"):
        phone_page.goto(f"/admin/jobs/{rows}/")
        assert phone_page.evaluate(SIDEWAYS) == 0, rows
