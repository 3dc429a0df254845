"""The feed over HTTP: who gets in, and what a reader that has it already is told."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.test import Client
from django.utils import timezone
from django.utils.http import http_date
from icalendar import Calendar

from crews import services
from crews.models import Crew, FeedSubscription
from tests.factories import CrewFactory, FeedEventFactory

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 8, 12, tzinfo=UTC)  # 8:00 at the site


@pytest.fixture(autouse=True)
def site_zone(settings):
    settings.TIME_ZONE = "America/New_York"


@pytest.fixture
def crew():
    return CrewFactory(name="North crew", feed_revised_at=NOW - timedelta(days=7))


@pytest.fixture
def subscription(crew):
    return services.subscribe(crew=crew, reader="Lead's phone", now=NOW)[0]


@pytest.fixture
def path(subscription, settings):
    return services.feed_url(subscription).removeprefix(settings.PUBLIC_URL)


@pytest.fixture(autouse=True)
def eight_in_the_morning():
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


def _uids(response):
    return {str(event["UID"])[:36] for event in Calendar.from_ical(response.content).events}


def test_the_link_needs_no_sign_in_and_gives_the_crew_its_own_work(client, crew, path):
    mine = FeedEventFactory(crew=crew)
    FeedEventFactory()

    response = client.get(path)

    assert response.status_code == 200
    # RFC 5545, section 8.1.
    assert response.headers["Content-Type"] == "text/calendar; charset=utf-8"
    assert _uids(response) == {str(mine.uid)}


def test_head_gives_the_headers_without_a_body_and_counts_as_no_fetch(client, path):
    response = client.head(path)

    fetched_at = FeedSubscription.objects.get().last_fetched_at
    assert (response.status_code, response.content, fetched_at) == (200, b"", None)
    assert response.headers["ETag"] == client.get(path).headers["ETag"]


@pytest.mark.parametrize("method", ["post", "put", "patch", "delete", "options"])
def test_nothing_but_get_and_head_is_allowed(client, path, method):
    assert getattr(client, method)(path).status_code == 405


def test_a_stranger_with_a_wrong_or_revoked_token_sees_the_same_404(
    client, path, subscription, stranger
):
    services.revoke(subscription, NOW)
    client.force_login(stranger)

    revoked = client.get(path)
    wrong = client.get("/feeds/" + "A" * 43 + ".ics")

    assert (revoked.status_code, wrong.status_code) == (404, 404)
    assert revoked.content == wrong.content
    of_each_request = {"X-Request-ID"}
    names = {*revoked.headers, *wrong.headers} - of_each_request
    assert {n: revoked.headers.get(n) for n in names} == {n: wrong.headers.get(n) for n in names}


def test_a_replaced_link_is_404_and_the_new_one_opens(client, path, subscription, settings):
    new = services.replace_link(subscription, NOW).removeprefix(settings.PUBLIC_URL)

    assert client.get(path).status_code == 404
    assert client.get(new).status_code == 200


@pytest.mark.parametrize("token", ["%00", "..", "%2e%2e", "Ω", "a" * 3000])
def test_a_malformed_token_is_404(client, token):
    assert client.get(f"/feeds/{token}.ics").status_code == 404


def test_the_link_is_kept_from_search_engines_referrers_and_shared_caches(client, path):
    headers = client.get(path).headers

    assert headers["X-Robots-Tag"] == "noindex"
    assert headers["Referrer-Policy"] == "no-referrer"
    assert headers["Cache-Control"] == "private, max-age=300"
    assert "Set-Cookie" not in headers
    assert "Vary" not in headers


def test_a_reader_that_has_the_bytes_is_told_304(client, crew, path):
    FeedEventFactory(crew=crew)
    etag = client.get(path).headers["ETag"]

    response = client.get(path, headers={"If-None-Match": etag})

    assert (response.status_code, response.content) == (304, b"")
    assert response.headers["ETag"] == etag


def test_the_etag_decides_over_the_date(client, crew, path):
    """RFC 9110, section 13.1.3: If-Modified-Since is ignored beside If-None-Match."""
    fresh = http_date(crew.feed_revised_at.timestamp())

    response = client.get(path, headers={"If-None-Match": '"old"', "If-Modified-Since": fresh})

    assert response.status_code == 200


def test_a_reader_that_asks_by_date_alone_is_told_304_until_the_plan_changes(client, crew, path):
    event = FeedEventFactory(crew=crew)
    seen = client.get(path).headers["Last-Modified"]
    unchanged = client.get(path, headers={"If-Modified-Since": seen})
    services.replace_feed_events(entries=[], now=event.starts_at - timedelta(days=1))

    changed = client.get(path, headers={"If-Modified-Since": seen})

    assert seen == "Mon, 01 Jun 2026 12:00:00 GMT"
    assert (unchanged.status_code, changed.status_code) == (304, 200)
    assert _uids(changed) == set()


def test_taking_an_event_out_moves_the_date_forward(client, crew, path):
    FeedEventFactory(crew=crew)
    before = client.get(path).headers["Last-Modified"]

    services.replace_feed_events(entries=[], now=NOW)

    assert client.get(path).headers["Last-Modified"] == http_date(NOW.timestamp())
    assert before == http_date(crew.feed_revised_at.timestamp())


def test_a_date_that_is_none_gives_the_calendar(client, path):
    assert client.get(path, headers={"If-Modified-Since": "not a date"}).status_code == 200


def test_a_crew_without_any_plan_has_an_empty_calendar(client, crew, path):
    Crew.objects.update(feed_revised_at=None)

    response = client.get(path)

    assert response.status_code == 200
    assert b"VEVENT" not in response.content
    assert "Last-Modified" not in response.headers


def test_the_bytes_are_the_same_in_the_morning_and_in_the_evening(
    client, crew, path, eight_in_the_morning
):
    for days in range(58, 64):
        ends_at = NOW - timedelta(days=days)
        FeedEventFactory(crew=crew, starts_at=ends_at - timedelta(hours=4), ends_at=ends_at)
    morning = client.get(path)

    eight_in_the_morning.move_to(NOW + timedelta(hours=12))  # 20:00 at the site, next day in UTC
    evening = client.get(path)

    assert morning.content == evening.content
    assert len(_uids(morning)) == 3


def test_work_is_kept_for_60_days_after_its_last_day(client, crew, path):
    kept_until = datetime(2026, 4, 9, 20, tzinfo=UTC)  # 60 days before 8 June
    kept = FeedEventFactory(
        crew=crew, ends_at=kept_until, starts_at=kept_until - timedelta(hours=4)
    )
    gone_at = kept_until - timedelta(days=1)
    FeedEventFactory(crew=crew, ends_at=gone_at, starts_at=gone_at - timedelta(hours=4))
    FeedEventFactory(crew=crew, is_dropped=True)

    assert _uids(client.get(path)) == {str(kept.uid)}


def test_a_reader_is_recorded_with_time_and_program(client, path):
    client.get(path, headers={"User-Agent": "WallCalendar/2.1 (tablet)"})

    stored = FeedSubscription.objects.get()
    assert (stored.last_fetched_at, stored.last_client) == (NOW, "WallCalendar")


@pytest.mark.parametrize("count", [1, 20])
def test_a_first_fetch_costs_three_queries_and_a_write_and_later_ones_one_query(
    client, crew, path, count, django_assert_num_queries
):
    FeedEventFactory.create_batch(count, crew=crew)

    with django_assert_num_queries(4):  # subscription, the write, crew, events
        client.get(path)
    with django_assert_num_queries(1):  # the text is kept until the calendar or the day changes
        client.get(path)


def test_a_text_that_is_kept_is_not_shown_after_a_change_or_on_another_day(
    client, crew, path, monkeypatch
):
    event = FeedEventFactory(crew=crew)
    first = client.get(path).content
    old = FeedEventFactory(crew=crew, starts_at=NOW, ends_at=NOW + timedelta(hours=1))

    kept = client.get(path).content
    services.replace_feed_events(entries=[], now=event.starts_at - timedelta(days=1))
    changed = client.get(path).content
    monkeypatch.setattr(timezone, "now", lambda: old.ends_at + timedelta(days=62))
    later = client.get(path).content

    assert kept == first
    assert changed != first
    assert b"VEVENT" not in later


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PROPFIND"])
def test_another_method_is_told_as_such_even_without_a_cookie(path, method):
    response = Client(enforce_csrf_checks=True).generic(method, path)

    assert response.status_code == 405
    assert response.headers["Allow"] == "GET, HEAD"


def test_calendars_are_answered_before_what_only_pages_need(client, path, office, settings):
    settings.MIDDLEWARE = [
        *settings.MIDDLEWARE,
        "tests.service.test_feed_door.pages_alone",
    ]
    client.force_login(office)

    calendar = client.get(path)
    wrong = client.get("/feeds/" + "A" * 43 + ".ics")

    assert "X-Went-On" not in calendar.headers
    assert wrong.headers["X-Went-On"] == "yes"
    # RFC 9110, section 8.6, and Content Security Policy Level 3, 6.1 and 6.4.2: it runs nothing.
    assert calendar.headers["Content-Length"] == str(len(calendar.content))
    policy = calendar.headers["Content-Security-Policy"]
    assert policy == "default-src 'none'; frame-ancestors 'none'"
    assert calendar.headers["X-Content-Type-Options"] == "nosniff"
    assert calendar.headers["X-Request-ID"]


def test_over_https_alone_a_calendar_is_sent_to_https_first(client, path, settings):
    settings.SECURE_SSL_REDIRECT = True

    response = client.get(path)

    assert (response.status_code, response.content) == (301, b"")


def pages_alone(get_response):
    """Give middleware that marks what it saw."""

    def marked(request):
        response = get_response(request)
        response.headers["X-Went-On"] = "yes"
        return response

    return marked
