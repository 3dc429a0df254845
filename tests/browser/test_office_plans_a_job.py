"""The office's main way through: a new job, its take-off, a plan, the comparison, publishing."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.contrib.auth.models import AbstractUser
from django.utils import timezone
from playwright.sync_api import Page, expect

from jobs.models import Job, Plan, PlanRequest
from jobs.services import planning, publishing
from tests.factories import AuthorityFactory
from tests.service.portfolio import make_firm, make_job

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASS_PHRASE = "a long pass phrase"


@pytest.fixture
def desk(page: Page, office: AbstractUser, sign_in: Callable[[Page, str, str], None]) -> Page:
    """The office, signed in, with a firm and an authority; one older job is published."""
    office.set_password(PASS_PHRASE)
    office.save()
    make_firm()
    make_job(number="26-001")
    AuthorityFactory(name="Harrow County Building Office")
    older = planning.plan_now(now=timezone.now(), budget_seconds=0)
    publishing.publish(plan_id=older.pk, now=timezone.now())
    sign_in(page, office.username, PASS_PHRASE)
    return page


def enter_job(page: Page, *, width_ft: str = "40") -> None:
    """Type a new job as the office does, choosing the authority by its first letters."""
    today = timezone.localdate()
    page.goto("/admin/jobs/job/add/")
    for label, text in (
        ("Number:", "26-002"),
        ("Sold on:", today.isoformat()),
        ("Contract value (USD):", "61200"),
        ("Buyer name:", "Ada Quill"),
        ("Site address:", "12 Fence Row Road"),
        ("Site town:", "Millbrook Corner"),
        ("Site county:", "Harrow County"),
        ("Site state:", "OH"),
        ("Promised on:", (today + timedelta(days=120)).isoformat()),
        ("Width (ft):", width_ft),
        ("Length (ft):", "60"),
        ("Eave height (ft):", "12"),
    ):
        page.get_by_label(label, exact=True).first.fill(text)
    page.get_by_text("Add another Door or window").click()
    page.locator("#id_openings-0-kind").select_option("OVERHEAD_DOOR")
    page.locator("#id_openings-0-width_ft").fill("12")
    page.locator("#id_openings-0-height_ft").fill("10")
    page.locator("#permit-0 .select2-selection").click()
    page.locator(".select2-search__field").fill("Harrow County Building Office")
    page.get_by_role("option", name="Harrow County Building Office", exact=True).click()
    page.locator("#id_permit-0-expected_on").fill((today + timedelta(days=14)).isoformat())


def answer_requests(page: Page) -> Plan:
    """Make the plan that was asked for, as the worker does, while no page asks for rows."""
    address = page.url
    page.goto("about:blank")
    wanted = PlanRequest.objects.latest("id")
    assert planning.claim(plan_request_id=wanted.pk, now=timezone.now())
    draft = planning.run_request(plan_request_id=wanted.pk, now=timezone.now())
    page.goto(address)
    return draft


def test_office_enters_a_job_asks_for_a_plan_compares_and_publishes(desk: Page) -> None:
    enter_job(desk)
    desk.get_by_role("button", name="Save and continue editing").click()

    expect(desk.locator("svg text", has_text="8 bays of 7 ft 6 in")).to_be_visible()
    desk.get_by_role("button", name="Unfold all").click()
    expect(desk.get_by_text("Labor hours by phase")).to_be_visible()
    expect(desk.get_by_role("row", name="Trusses").first).to_be_visible()

    desk.get_by_role("button", name="Ask for a plan").click()
    desk.wait_for_url("**/planrequest/*/change/")
    draft = answer_requests(desk)
    desk.get_by_role("link", name=f"Plan {draft.pk}, draft").click()

    expect(desk.get_by_role("heading", name="Compared with")).to_be_visible()
    desk.get_by_role("link", name="Publish this plan").click()
    desk.get_by_role("button", name="Publish this plan").click()

    expect(desk.get_by_text(f"Plan {draft.pk} is published.")).to_be_visible()
    job = Job.objects.get(number="26-002")
    assert job.phases.filter(bookings__is_live=True).exists()


def test_office_sees_a_wrong_width_at_its_field_and_keeps_what_was_typed(desk: Page) -> None:
    enter_job(desk, width_ft="400")
    desk.get_by_role("button", name="Save", exact=True).click()

    expect(desk.get_by_text("Width (ft) 400: this is too large. Enter 10 to 100")).to_be_visible()
    expect(desk.get_by_label("Buyer name:")).to_have_value("Ada Quill")
    assert not Job.objects.filter(number="26-002").exists()


def test_request_page_follows_the_plan_until_it_is_made(desk: Page) -> None:
    draft = Plan.objects.get()
    wanted = planning.request_plan(reason="asked for by office", now=timezone.now())
    desk.goto(f"/admin/jobs/planrequest/{wanted.pk}/change/")
    expect(desk.get_by_text("0 %, Queued")).to_be_visible()

    PlanRequest.objects.filter(pk=wanted.pk).update(
        status=PlanRequest.Status.DONE, plan=draft, progress_percent=100
    )

    expect(desk.get_by_role("link", name=f"Plan {draft.pk}, published")).to_be_visible()


def test_job_page_fits_a_phone(
    phone_page: Page, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    office.set_password(PASS_PHRASE)
    office.save()
    make_firm()
    job = make_job(number="26-001")
    sign_in(phone_page, office.username, PASS_PHRASE)

    phone_page.goto(f"/admin/jobs/job/{job.pk}/change/")

    drawing = phone_page.locator(".drawings svg.drawing").first.bounding_box()
    assert drawing is not None
    assert drawing["x"] + drawing["width"] <= 390
    assert phone_page.evaluate("document.documentElement.scrollWidth") <= 390


def test_job_list_uses_the_whole_width_of_a_phone(
    phone_page: Page, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    office.set_password(PASS_PHRASE)
    office.save()
    make_firm()
    make_job(number="26-001")
    sign_in(phone_page, office.username, PASS_PHRASE)

    phone_page.goto("/admin/jobs/job/")

    content = phone_page.locator("#content").bounding_box()
    assert content is not None
    assert content["width"] == 390
