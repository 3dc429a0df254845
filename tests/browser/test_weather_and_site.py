"""The weather desk and a job's site, at a desk and on a phone."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from tests.factories import OfficeFactory, WeatherAreaFactory
from tests.service.portfolio import make_firm, make_job
from tests.service.weather_hours import tell

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

DESK = "/admin/inspections/weatherarea/desk/"


@pytest.fixture
def office() -> Any:
    user = OfficeFactory(username="office")
    user.set_password("strings-and-stakes")
    user.save()
    return user


@pytest.fixture
def stormy_area() -> Any:
    make_firm()
    area = WeatherAreaFactory(
        name="Quillen Plain",
        forecast_url="http://127.0.0.1:9/none",
        last_good_at=timezone.now() - timedelta(hours=2),
        last_tried_at=timezone.now(),
        last_error="the source answers 503 Service Unavailable",
    )
    today = timezone.localdate()
    tell(area, today, days=6, humidity_percent=50.0)
    tell(area, today + timedelta(days=1), wind_mph=28.0, gust_mph=41.0)
    tell(area, today + timedelta(days=2), rain_in=0.05)
    tell(area, today + timedelta(days=3), temp_degf=18.0)
    tell(area, today + timedelta(days=4), temp_degf=94.0, humidity_percent=60.0, thunder=True)
    return area


def fits(page: Page) -> bool:
    return bool(page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"))


def test_the_office_enters_a_stormy_day_by_keyboard(
    page: Page, sign_in: Callable[..., None], office: Any, stormy_area: Any
) -> None:
    sign_in(page, "office", "strings-and-stakes")
    page.goto(DESK)
    expect(page.get_by_text("failed: the source answers 503")).to_be_visible()
    page.get_by_text("Enter a day by hand").focus()
    page.keyboard.press("Enter")
    page.get_by_label("Low (°F)").fill("40")
    page.get_by_label("High (°F)").fill("55")
    page.get_by_label("Wind (mph)").fill("44")
    page.get_by_label("Wind (mph)").press("Enter")

    expect(page.get_by_text("is entered by hand")).to_be_visible()
    cell = page.get_by_role("row", name="Wind on trusses").get_by_role("cell").first
    expect(cell).to_contain_text("stop")
    expect(cell).to_contain_text("wind 44 mph, limit 20")


def test_the_weather_is_read_on_a_phone(
    phone_page: Page, sign_in: Callable[..., None], office: Any, stormy_area: Any
) -> None:
    sign_in(phone_page, "office", "strings-and-stakes")
    phone_page.goto(DESK)

    expect(phone_page.get_by_role("heading", name="Quillen Plain")).to_be_visible()
    assert fits(phone_page)


def test_shots_are_entered_on_a_phone_and_released(
    phone_page: Page, sign_in: Callable[..., None], office: Any
) -> None:
    make_firm()
    job = make_job(number="26-700")
    sign_in(phone_page, "office", "strings-and-stakes")
    phone_page.goto(f"/admin/inspections/siteshot/job/{job.pk}/")
    for label, reading in (
        ("Front left", "4.0"),
        ("Front right", "4.5"),
        ("Back right", "5.4"),
        ("Back left", "4.8"),
        ("Center", "4.7"),
    ):
        phone_page.get_by_label(f"{label} (ft)").fill(reading)
    phone_page.get_by_role("button", name="Store the shots").click()

    expect(phone_page.get_by_text("the ground falls 17 in from front left")).to_be_visible()
    expect(phone_page.locator("svg.drawing")).to_be_visible()
    assert fits(phone_page)

    phone_page.get_by_label("Why it is good enough").fill("Skirt board takes it up")
    phone_page.get_by_role("button", name="Release, signed office").click()
    expect(phone_page.get_by_text("Skirt board takes it up")).to_be_visible()
