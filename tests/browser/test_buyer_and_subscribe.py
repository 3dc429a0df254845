"""The buyer's page and the help to subscribe, on a phone and at a desk, light and dark."""

import os
import re
import uuid
from io import BytesIO

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.core.files.base import ContentFile
from django.utils import timezone
from PIL import Image

from crews import services
from jobs.models import FieldReport, Phase, ReportPhoto
from jobs.services import buyer_links, planning, publishing
from tests.factories import CrewFactory
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SIZES = [(390, 844), (360, 640), (1280, 900)]
SCHEMES = ["light", "dark"]
WCAG = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


@pytest.fixture(autouse=True)
def media(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


def _path(url):
    return re.sub(r"^https?://[^/]+", "", url)


def _photo(job, color):
    report = FieldReport.objects.create(
        phase=Phase.objects.get(job=job, code="LAYOUT"),
        kind=FieldReport.Kind.NOTE,
        made_at=MONDAY,
        received_at=MONDAY,
    )
    out = BytesIO()
    Image.new("RGB", (800, 600), color).save(out, "JPEG")
    photo = ReportPhoto(
        report=report,
        sha256=uuid.uuid4().hex * 2,
        width_px=800,
        height_px=600,
        received_at=MONDAY,
        is_released=True,
    )
    photo.file.save(f"{uuid.uuid4()}.jpg", ContentFile(out.getvalue()), save=True)


@pytest.fixture
def buyers_page():
    now = timezone.now()
    make_firm()
    job = make_job(material_is_there=False)
    plan = planning.plan_now(now=now, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=now)
    Phase.objects.filter(job=job, code__in=("LAYOUT", "DIG")).update(
        status=Phase.Status.DONE, started_at=now, done_at=now
    )
    for color in ("seagreen", "slategray"):
        _photo(job, color)
    return _path(buyer_links.make_link(job=job, reader="Buyer", now=now)[1])


@pytest.fixture
def help_page(db):
    crew = CrewFactory(name="North crew")
    url = services.subscribe(crew=crew, reader="Lead", now=timezone.now())[1]
    return _path(url).removesuffix(".ics") + "/"


def _assert_reads_well(page, address, is_readable_when):
    for scheme in SCHEMES:
        page.emulate_media(color_scheme=scheme)
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            page.goto(address)
            page.get_by_role("heading", name=is_readable_when).wait_for()
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            if folder := os.environ.get("PICTURES"):
                name = f"{address.split('/')[1]}-{scheme}-{width}.png"
                page.screenshot(path=f"{folder}/{name}", full_page=True)
            found = Axe().run(page, options=WCAG)
            assert found.violations_count == 0, found.generate_report()


def test_the_buyers_page_reads_well_everywhere(page, buyers_page):
    _assert_reads_well(page, buyers_page, "Likely finished")


def test_released_photos_are_seen(page, buyers_page):
    page.goto(buyers_page)

    photos = page.get_by_role("img")
    photos.last.scroll_into_view_if_needed()
    # A function, as the page's policy lets no string be run: it counts when one look is not enough.
    page.wait_for_function("() => [...document.images].every((one) => one.complete)")

    assert photos.count() == 2
    assert page.evaluate("[...document.images].every((one) => one.naturalWidth === 800)")


def test_the_help_to_subscribe_reads_well_everywhere(page, help_page):
    _assert_reads_well(page, help_page, "North crew in your calendar")


def test_the_address_is_copied_by_keyboard(page, help_page):
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    page.goto(help_page)
    button = page.get_by_role("button", name="Copy the address")

    button.focus()
    page.keyboard.press("Enter")
    page.get_by_text("Copied.").wait_for()

    address = page.get_by_label("Address of the calendar").input_value()
    assert page.evaluate("navigator.clipboard.readText()") == address
    assert address.endswith(".ics")


@pytest.mark.parametrize("fixture", ["buyers_page", "help_page"])
def test_targets_are_44_px_for_a_thumb(request, phone_page, fixture):
    address = request.getfixturevalue(fixture)
    phone_page.goto(address)

    for target in phone_page.locator("button:visible, input, a.button, footer a").all():
        assert target.bounding_box()["height"] >= 44
