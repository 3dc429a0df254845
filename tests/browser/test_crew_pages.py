"""A crew's pages on a phone: let in by a link, read by thumb, by keyboard and in the dark."""

import os
import re
from datetime import datetime, timedelta

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.utils import timezone

from crews.models import Crew
from crews.services import phones
from inspections.models import LocateTicket
from jobs.models import Booking, Phase
from jobs.services import planning, publishing
from tests.factories import OfficeFactory, WeatherAreaFactory
from tests.service.portfolio import make_firm, make_job
from tests.service.weather_hours import tell

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

PASS_PHRASE = "a level and a line"
SIZES = [(390, 844), (360, 640)]
SCHEMES = ["light", "dark"]
WCAG = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
# What is pressed with gloves: 44 px is WCAG 2.2, success criterion 2.5.5 (level AAA).
SMALL_TARGETS = """[...document.querySelectorAll("a, button, summary, input, select, textarea")]
  .filter(e => e.offsetParent && !e.classList.contains("skip"))
  .map(e => [e.textContent.trim() || e.name, e.getBoundingClientRect()])
  .filter(([, box]) => box.height > 0 && box.height < 44)
  .map(([words]) => words)"""


@pytest.fixture
def link():
    """Give a crew with work of every kind today, and the path of a link for one phone."""
    now = timezone.now()
    make_firm(crews=1)
    crew = Crew.objects.get()
    first, second = (
        make_job(gate_code="4471#", crew_may_call_buyer=True, buyer_phone="555-0144")
        for _ in range(2)
    )
    done = second.phases.filter(code="LAYOUT")
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)
    # Everything is today's, one after the other: cleared, held, begun, stopped, done. What is left
    # goes two days on, as a crew is nowhere twice.
    mine = Booking.objects.filter(crew=crew, is_live=True).order_by("-starts_at")
    today = [*mine.filter(phase__job=first).reverse()[:5], mine.get(phase__in=done)]
    for booking in mine:
        booking.starts_at += timedelta(days=60)
        booking.ends_at += timedelta(days=60)
        booking.save()
    for booking in mine.reverse():
        if booking not in today:
            booking.starts_at -= timedelta(days=58)
            booking.ends_at -= timedelta(days=58)
            booking.save()
    # Within today at any hour of it.
    day = timezone.localdate(now)
    midnight = datetime.combine(day, datetime.min.time(), timezone.get_default_timezone())
    for place, booking in enumerate(today):
        booking.starts_at = midnight + place * timedelta(hours=3)
        booking.ends_at = booking.starts_at + timedelta(hours=3)
        booking.save()
    Phase.objects.filter(job=first, code="LAYOUT").update(status="UNDER_WAY", started_at=now)
    Phase.objects.filter(job=first, code="POSTS").update(stopped_by="MATERIAL", stopped_at=now)
    Phase.objects.filter(job=second, code="LAYOUT").update(
        status="DONE", started_at=now, done_at=now, crew=crew
    )
    LocateTicket.objects.all().delete()
    tell(WeatherAreaFactory(), timezone.localdate(now), days=3, gust_mph=40.0, wind_mph=30.0)
    _, url = phones.invite(crew=crew, person_name="Ada Bright", now=now)
    return re.sub(r"^https?://[^/]+", "", url)


def _assert_accessible(page):
    # axe tries styles of its own, which our Content-Security-Policy rightly blocks and tells.
    page.is_examined = True
    found = Axe().run(page, options=WCAG)
    page.is_examined = False
    assert found.violations_count == 0, found.generate_report()


def _assert_reads_well(page, name):
    for scheme in SCHEMES:
        page.emulate_media(color_scheme=scheme)
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide <= width, f"{name} scrolls sideways at {width}"
            _assert_accessible(page)
            assert page.evaluate(SMALL_TARGETS) == []
            if folder := os.environ.get("SCREENSHOTS"):
                page.screenshot(path=f"{folder}/{name}-{scheme}-{width}.png", full_page=True)


def test_a_link_lets_the_phone_in_and_every_page_reads_well(phone_page, link):
    phone_page.goto(link)
    _assert_reads_well(phone_page, "enroll")

    phone_page.get_by_role("button", name="Use this phone").click()
    phone_page.wait_for_url("**/phone/")
    phone_page.get_by_role("heading", name="Today").wait_for()
    _assert_reads_well(phone_page, "week")

    phone_page.get_by_role("link", name="Drawing, sizes, photos of Dig holes").click()
    phone_page.get_by_role("heading", name="Sizes").wait_for()
    _assert_reads_well(phone_page, "phase")


def test_what_keeps_work_from_starting_stands_above_all_else(phone_page, link):
    phone_page.goto(link)
    phone_page.get_by_role("button", name="Use this phone").click()

    words = phone_page.get_by_role("article", name="Dig holes").inner_text()

    lines = [line for line in words.splitlines() if line]
    assert lines[:2] == ["Do not start yet", "Dig holes"]
    assert lines[2].startswith("No digging before the locate ticket is live")


def test_a_keyboard_goes_past_the_header_and_along_all_that_is_pressed(phone_page, link):
    phone_page.goto(link)
    phone_page.keyboard.press("Tab")  # past the header
    phone_page.keyboard.press("Tab")
    phone_page.keyboard.press("Enter")
    phone_page.wait_for_url("**/phone/")

    phone_page.keyboard.press("Tab")
    assert phone_page.evaluate("document.activeElement.className") == "skip"
    phone_page.keyboard.press("Enter")
    phone_page.keyboard.press("Tab")
    assert phone_page.evaluate("document.querySelector('main').contains(document.activeElement)")


def test_the_office_reads_the_code_of_a_new_link(page, sign_in, link):
    desk = OfficeFactory(username="desk")
    desk.set_password(PASS_PHRASE)
    desk.save()
    sign_in(page, "desk", PASS_PHRASE)
    page.goto("/admin/crews/phone/add/")
    page.get_by_label("Person").fill("Bo Marsh")
    page.get_by_label("Crew").select_option(label=str(Crew.objects.get()))
    page.get_by_role("button", name="Save", exact=True).click()

    page.get_by_role("img", name="QR code of the link for Bo Marsh").wait_for()
    assert "/phone/enroll/" in page.get_by_label("Link that signs the phone in").input_value()
    _assert_accessible(page)
    if folder := os.environ.get("SCREENSHOTS"):
        page.screenshot(path=f"{folder}/office.png", full_page=True)
