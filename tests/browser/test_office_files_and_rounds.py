"""Files in with a dry run, and rounds of callbacks, in a real browser."""

from collections.abc import Callable
from datetime import timedelta

import pytest
from django.contrib.auth.models import AbstractUser
from django.utils import timezone
from playwright.sync_api import Page, expect

from jobs.models import Job, SetAside
from jobs.services.callbacks import ask_for
from tests.browser.test_job_page import PASS_PHRASE, keep_picture, violations
from tests.factories import JobFactory
from tests.service.csv_files import JOB, JOB_COLUMNS
from tests.service.portfolio import make_firm

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def jobs_file(*lines: str) -> dict[str, object]:
    text = "\n".join([JOB_COLUMNS, *lines])
    return {"name": "jobs.csv", "mimeType": "text/csv", "buffer": text.encode()}


def test_a_file_is_checked_mended_and_loaded(
    page: Page, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    office.set_password(PASS_PHRASE)
    office.save()
    sign_in(page, office.username, PASS_PHRASE)
    page.get_by_role("link", name="Import and export").click()
    other = JOB.replace("26-301", "26-302")

    page.get_by_label("Files", exact=True).set_input_files(
        jobs_file(JOB, other.replace("48500", "much"))
    )
    page.get_by_role("button", name="Check, store nothing").click()
    expect(page.get_by_text("contract_value_usd much: Not a number.")).to_be_visible()
    keep_picture(page, "import-desk")
    found = violations(page)
    assert found == [], "\n".join(found)
    page.get_by_label("Files", exact=True).set_input_files(jobs_file(JOB, other))
    page.get_by_role("button", name="Check, store nothing").click()
    page.get_by_role("button", name="Load these files").click()

    expect(page.get_by_text("Loaded: 2 jobs.")).to_be_visible()
    assert Job.objects.count() == 2


def test_a_round_is_booked_on_a_phone(
    phone_page: Page, office: AbstractUser, sign_in: Callable[[Page, str, str], None]
) -> None:
    office.set_password(PASS_PHRASE)
    office.save()
    make_firm()
    now, today = timezone.now(), timezone.localdate()
    for number in range(3):
        job = JobFactory(
            status=Job.Status.DONE, completed_on=today, promised_on=None, number=f"25-00{number}"
        )
        ask_for(
            job=job,
            kind="PUNCH",
            what=f"Trim short {number}",
            asked_on=today,
            promised_on=today + timedelta(days=10 + number),
            now=now,
        )
    sign_in(phone_page, office.username, PASS_PHRASE)
    phone_page.goto("/admin/jobs/callback/rounds/")
    keep_picture(phone_page, "rounds-phone")
    assert phone_page.evaluate("document.documentElement.scrollWidth") <= 390
    found = violations(phone_page)
    assert found == [], "\n".join(found)

    phone_page.get_by_role("button", name="Book with").click()

    expect(phone_page.get_by_role("button", name="Take back the round of")).to_be_visible()
    assert SetAside.objects.get().callbacks.count() == 3
