"""The office's day in a browser: the desk by keyboard, a part published, the sheet printed."""

import re
from collections.abc import Callable
from datetime import timedelta

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.contrib.auth.models import AbstractUser
from django.utils import timezone
from playwright.sync_api import Page, expect

from inspections.models import WeatherArea
from jobs.models import Booking, Delivery, Job
from jobs.services import planning, publishing
from tests.factories import WeatherAreaFactory
from tests.service.portfolio import make_firm, make_job
from tests.service.weather_hours import tell

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASS_PHRASE = "a long pass phrase"
WCAG = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
DESK, DRAFT, RAIN, AHEAD = (
    f"/admin/desk/{page}" for page in ("", "draft/", "rain/", "look-ahead/")
)
SignIn = Callable[[Page, str, str], None]


@pytest.fixture
def two_jobs(office: AbstractUser) -> tuple[Job, Job]:
    """Two published jobs; a draft moves both, and one of them could stay by now."""
    office.set_password(PASS_PHRASE)
    office.save()
    make_firm()
    now, today = timezone.now(), timezone.localdate()
    promised = today + timedelta(days=200)
    moves, stays = (make_job(number=f"26-90{n}", promised_on=promised) for n in (1, 2))
    Delivery.objects.filter(job=stays, item="TRUSSES").update(
        arrived_on=None, ordered_on=today, promised_on=today + timedelta(days=2)
    )
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)
    both = Job.objects.filter(pk__in=(moves.pk, stays.pk))
    both.update(earliest_start_on=today + timedelta(days=90))
    planning.repair_now(reason="a test", now=timezone.now())
    Job.objects.filter(pk=stays.pk).update(earliest_start_on=None)
    return moves, stays


@pytest.fixture
def stormy(two_jobs: tuple[Job, Job]) -> WeatherArea:
    """A week of storms, told after the plan was published."""
    area: WeatherArea = WeatherAreaFactory()
    storm = {"rain_in": 0.4, "wind_mph": 35.0, "gust_mph": 50.0, "made_at": timezone.now()}
    tell(area, timezone.localdate(), days=7, **storm)
    return area


def violations(page: Page) -> list[str]:
    """Return what axe finds against WCAG 2.2 AA, by rule and place."""
    found = Axe().run(page, options=WCAG).response["violations"]
    return [f"{row['id']}: {node['target']}" for row in found for node in row["nodes"]]


def press(page: Page, name: str) -> None:
    """Press a button by keyboard alone."""
    page.get_by_role("button", name=name).first.focus()
    page.keyboard.press("Enter")


def test_a_delivery_is_confirmed_at_the_desk_by_keyboard(
    page: Page, sign_in: SignIn, two_jobs: tuple[Job, Job]
) -> None:
    sign_in(page, "office", PASS_PHRASE)
    page.get_by_role("link", name="Morning desk").click()
    expect(page.get_by_role("heading", name="Deliveries to confirm")).to_be_visible()

    press(page, "Confirmed for")

    expect(page.get_by_text("It can be undone.")).to_be_visible()
    expect(page).to_have_url(re.compile(f"{DESK}#confirm$"))
    expect(page.get_by_role("heading", name="Deliveries to confirm")).to_have_count(0)


def test_a_part_of_a_draft_is_published_by_keyboard(
    page: Page, sign_in: SignIn, two_jobs: tuple[Job, Job]
) -> None:
    moves, stays = two_jobs
    old = Booking.objects.filter(is_live=True, phase__job=stays).earliest("starts_at").starts_at
    sign_in(page, "office", PASS_PHRASE)
    page.goto(DRAFT)
    box = page.get_by_role("checkbox", name=moves.number)
    expect(box).to_be_checked()
    expect(page.get_by_role("checkbox", name=stays.number)).not_to_be_checked()

    press(page, "Can these be published by themselves?")
    expect(page.get_by_role("heading", name="This part is ready")).to_be_visible()
    press(page, f"Publish only job {moves.number}")

    expect(page.get_by_text(f"only job {moves.number} moved")).to_be_visible()
    page.goto("about:blank")
    row = Booking.objects.filter(is_live=True, phase__job=stays).earliest("starts_at")
    assert row.starts_at == old


@pytest.mark.parametrize("wide", ["page", "phone_page"])
def test_every_page_is_accessible_and_fits_the_screen(
    wide: str, request: pytest.FixtureRequest, sign_in: SignIn, stormy: WeatherArea
) -> None:
    page: Page = request.getfixturevalue(wide)
    sign_in(page, "office", PASS_PHRASE)

    for address in (DESK, DRAFT, RAIN, AHEAD):
        page.goto(address)
        assert page.evaluate(SIDEWAYS) == 0, address
        assert violations(page) == [], address


def test_the_printed_page_shows_the_sheet_and_nothing_to_click(
    page: Page, sign_in: SignIn, two_jobs: tuple[Job, Job]
) -> None:
    sign_in(page, "office", PASS_PHRASE)
    page.goto(AHEAD)

    page.emulate_media(media="print")

    expect(page.get_by_role("link", name="PDF for letter paper")).to_be_hidden()
    expect(page.locator("#header")).to_be_hidden()
    expect(page.get_by_role("heading", name="Job by job")).to_be_visible()
    table = page.locator("table.days").first
    wide = table.evaluate("t => t.scrollWidth - t.clientWidth")
    assert wide <= 0
