"""The job page as one screen: its life on a time axis, what is to be put right, completion."""

import io
import os
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.contrib.auth.models import AbstractUser
from django.utils import timezone
from playwright.sync_api import Page, expect
from pypdf import PdfReader

from jobs.models import Callback, Job, Phase
from jobs.services import forecasting, planning, publishing
from jobs.services.callbacks import ask_for
from tests.service.portfolio import make_firm, make_job

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASS_PHRASE = "a long pass phrase"
THREE_SCREENS = 3
WCAG = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}


def violations(page: Page) -> list[str]:
    """Return what axe finds against WCAG 2.2 AA, by rule and place."""
    # axe tries styles of its own, which our Content-Security-Policy rightly blocks and tells.
    page.is_examined = True  # type: ignore[attr-defined]
    found = Axe().run(page, options=WCAG).response["violations"]
    page.is_examined = False  # type: ignore[attr-defined]
    return [f"{row['id']}: {node['target']}" for row in found for node in row["nodes"]]


def keep_picture(page: Page, name: str) -> None:
    """Keep a picture of the page where PICTURES names a folder, for people to look at."""
    if folder := os.environ.get("PICTURES"):
        page.screenshot(path=str(Path(folder) / f"{name}.png"), full_page=True)


@pytest.fixture
def job(office: AbstractUser) -> Job:
    """A job under way, published twice and forecast."""
    office.set_password(PASS_PHRASE)
    office.save()
    make_firm()
    now = timezone.now()
    job = make_job(number="26-001", promised_on=timezone.localdate() + timedelta(days=40))
    make_job(number="26-002")
    first = planning.plan_now(now=now - timedelta(days=6), budget_seconds=0)
    publishing.publish(plan_id=first.pk, now=now - timedelta(days=6))
    started = now - timedelta(days=5)
    job.phases.filter(code="LAYOUT").update(
        status=Phase.Status.DONE, started_at=started, done_at=now - timedelta(days=4), share_done=1
    )
    job.phases.filter(code="DIG").update(
        status=Phase.Status.UNDER_WAY, started_at=now - timedelta(days=1), share_done=0.5
    )
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)
    forecasting.forecast_now(now=now, draws=50)
    return job


def test_the_life_of_a_job_is_on_one_page(
    page: Page, job: Job, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    sign_in(page, office.username, PASS_PHRASE)
    page.goto(f"/admin/jobs/job/{job.pk}/change/")
    keep_picture(page, "job-desk")

    name, tools = (page.locator(one).bounding_box() for one in ("#content > h2", ".object-tools"))
    assert name
    assert tools
    assert name["y"] + name["height"] <= tools["y"], "the tools lie over the job's name"
    line = page.get_by_role("region", name="The job in time")
    expect(line.locator("svg")).to_be_visible()
    for label in ("first published", "published", "as it was", "forecast P10–P50–P90"):
        expect(line.get_by_text(label, exact=True)).to_be_visible()
    for heading in ("Holds", "Dates", "Slips", "Reports", "Notices"):
        expect(page.get_by_role("heading", name=heading, exact=True)).to_be_visible()
    screens = page.evaluate("() => document.documentElement.scrollHeight / window.innerHeight")
    assert screens <= THREE_SCREENS, "folded, it is longer than three screens"
    found = violations(page)
    assert found == [], "\n".join(found)


def test_its_folds_open_by_keyboard_by_address_and_on_paper(
    page: Page, job: Job, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    sign_in(page, office.username, PASS_PHRASE)
    address = f"/admin/jobs/job/{job.pk}/change/"
    reasons = page.get_by_role("columnheader", name="Starts then because")
    page.goto(address)
    expect(reasons).to_be_hidden()
    text = "".join(part.extract_text() for part in PdfReader(io.BytesIO(page.pdf())).pages)
    assert "ARITHMETIC" in text.upper()
    assert "STARTS THEN BECAUSE" in " ".join(text.upper().split())
    expect(reasons).to_be_hidden()

    page.get_by_role("link", name="Dates", exact=True).first.focus()
    page.keyboard.press("Enter")
    expect(reasons).to_be_visible()
    page.get_by_role("button", name="Unfold all").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_role("columnheader", name="Arithmetic").first).to_be_visible()
    page.get_by_role("button", name="Fold all").focus()
    page.keyboard.press("Enter")
    expect(reasons).to_be_hidden()


def test_a_callback_is_entered_and_done_on_the_job_page(
    page: Page, job: Job, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    sign_in(page, office.username, PASS_PHRASE)
    page.goto(f"/admin/jobs/job/{job.pk}/change/")

    page.get_by_role("heading", name="Punch list, warranty and callbacks").click()
    page.get_by_text("Something to put right", exact=True).click()
    page.get_by_label("What, and where").fill("Corner trim loose, north-east")
    page.get_by_role("button", name="Enter it").click()
    page.get_by_role("button", name="Done: Corner trim loose, north-east").click()
    expect(page.get_by_role("button", name="Open again: Corner trim")).to_be_visible()

    row = Callback.objects.get()
    assert (row.kind, row.done_on) == ("PUNCH", timezone.localdate())


def test_the_job_page_fits_a_phone_with_all_its_sections(
    phone_page: Page, job: Job, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    today = timezone.localdate()
    ask_for(job=job, kind="PUNCH", what="Door rubs", asked_on=today, now=timezone.now())
    sign_in(phone_page, office.username, PASS_PHRASE)

    phone_page.goto(f"/admin/jobs/job/{job.pk}/change/")
    keep_picture(phone_page, "job-phone")

    assert phone_page.evaluate("document.documentElement.scrollWidth") <= 390
    found = violations(phone_page)
    assert found == [], "\n".join(found)
