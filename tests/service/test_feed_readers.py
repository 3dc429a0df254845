"""The office's form for readers of every kind of calendar, and the page that helps a reader."""

import pytest
from django.urls import reverse
from django.utils import timezone

from crews import services
from crews.models import FeedCalendar, FeedSubscription
from tests.factories import AuthorityFactory, CrewFactory, FirmFactory, JobFactory

ADD = "/admin/crews/feedsubscription/add/"

pytestmark = pytest.mark.django_db


@pytest.fixture
def rows():
    FirmFactory(name="Fence Row Builders")
    return {"crew": CrewFactory(), "job": JobFactory(), "authority": AuthorityFactory()}


@pytest.mark.parametrize(
    ("kind", "named_by"),
    [
        ("CREW", "crew"),
        ("FIRM", None),
        ("JOB", "job"),
        ("BUYER", "job"),
        ("AUTHORITY", "authority"),
    ],
)
def test_the_office_adds_a_reader_of_any_calendar(client, office, rows, kind, named_by):
    client.force_login(office)
    form = {"kind": kind, "reader": "Wall"}
    if named_by:
        form[named_by] = rows[named_by].pk

    page = client.post(ADD, form | {"_continue": "1"}, follow=True).content.decode()

    link = FeedSubscription.objects.get()
    if kind == "CREW":
        assert link.crew == rows["crew"]
    else:
        number = rows[named_by].pk if named_by else 0
        assert (link.calendar.kind, link.calendar.number) == (kind, number)
    assert services.feed_url(link) in page
    assert "<svg" in page


@pytest.mark.parametrize("kind", ["CREW", "JOB", "BUYER", "AUTHORITY"])
def test_a_calendar_needs_to_be_somebodys(client, office, rows, kind):
    client.force_login(office)

    page = client.post(ADD, {"kind": kind, "reader": "Wall"}).content.decode()

    assert "Choose whose calendar it is" in page
    assert not FeedSubscription.objects.exists()


def test_a_calendar_is_not_two_peoples_at_once(client, office, rows):
    client.force_login(office)
    form = {"kind": "JOB", "job": rows["job"].pk, "crew": rows["crew"].pk, "reader": "Wall"}

    page = client.post(ADD, form).content.decode()

    assert "leave this empty" in page
    assert not FeedCalendar.objects.exists()


def test_the_form_opens_with_what_a_link_to_it_names(client, office, rows):
    client.force_login(office)

    page = client.get(f"{ADD}?kind=BUYER&job={rows['job'].pk}").content.decode()

    assert '<option value="BUYER" selected>' in page
    assert f'<option value="{rows["job"].pk}" selected>' in page


@pytest.fixture
def link(rows):
    return services.subscribe(crew=rows["crew"], reader="Phone", now=timezone.now())[0]


def _help_page(link):
    token = services.feed_url(link).rpartition("/")[2].removesuffix(".ics")
    return reverse("crews:subscribe", kwargs={"token": token})


def test_a_reader_is_told_how_to_subscribe_without_signing_in(client, link):
    response = client.get(_help_page(link))

    page, url = response.content.decode(), services.feed_url(link)
    assert f'value="{url}"' in page
    assert f'href="webcal:{url.partition(":")[2]}"' in page
    assert response.headers["Referrer-Policy"] == "no-referrer"
    assert response.headers["X-Robots-Tag"] == "noindex"
    assert response.headers["Cache-Control"] == "no-store"


def test_looking_at_the_help_is_no_fetch(client, link):
    client.get(_help_page(link))

    link.refresh_from_db()
    assert link.last_fetched_at is None


def test_a_closed_link_has_no_help(client, link):
    page = _help_page(link)
    services.revoke(link, timezone.now())

    closed = client.get(page)

    assert closed.status_code == 404
    assert closed.content == client.get("/feeds/nothing/").content


def test_nothing_is_posted_to_the_help(client, link):
    assert client.post(_help_page(link)).status_code == 405
