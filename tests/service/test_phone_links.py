"""A phone is let in by a link that works once, stays in, and can be put out."""

from datetime import UTC, datetime, timedelta
from http import HTTPStatus

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from contractor.logs import without_keys
from crews.models import Phone
from crews.phone.session import COOKIE, COOKIE_PATH
from crews.services import phones
from tests.factories import CrewFactory, CrewLeadFactory

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 8, 10, tzinfo=UTC)  # 6:00 at the site
IPHONE = (
    "Mozilla/5.0 (iPhone; CPU iPhone OS 17_5 like Mac OS X) AppleWebKit/605.1.15 "
    "(KHTML, like Gecko) Version/17.5 Mobile/15E148 Safari/604.1"
)
ANDROID = (
    "Mozilla/5.0 (Linux; Android 10; K) AppleWebKit/537.36 (KHTML, like Gecko) "
    "Chrome/126.0.0.0 Mobile Safari/537.36"
)
WEEK = reverse("phone:week")


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def crew():
    return CrewFactory(name="North crew")


@pytest.fixture
def invited(crew):
    return phones.invite(crew=crew, person_name="Ada", now=NOW)[0]


@pytest.fixture
def link(invited, settings):
    return phones.link_url(invited, now=NOW).removeprefix(settings.PUBLIC_URL)


def test_looking_at_the_link_uses_nothing_up(client, link, invited):
    for _ in range(3):
        assert client.get(link).status_code == HTTPStatus.OK
    client.head(link)

    invited.refresh_from_db()
    assert invited.enrolled_at is None
    assert COOKIE not in client.cookies


def test_pressing_the_button_lets_the_phone_in_and_keeps_it_in(client, link, invited):
    answer = client.post(link, headers={"user-agent": IPHONE})

    assert answer.headers["Location"] == WEEK
    assert client.get(WEEK).status_code == HTTPStatus.OK
    invited.refresh_from_db()
    assert (invited.enrolled_at, invited.client) == (NOW, "iPhone, Safari")


def test_the_link_lets_in_one_phone_only(client, link):
    client.post(link)

    late = Client()
    assert late.get(link).status_code == HTTPStatus.NOT_FOUND
    assert late.post(link).status_code == HTTPStatus.NOT_FOUND
    assert late.get(WEEK).status_code == HTTPStatus.FORBIDDEN
    assert client.get(WEEK).status_code == HTTPStatus.OK


def test_the_button_needs_the_token_of_its_own_page(link):
    careful = Client(enforce_csrf_checks=True)

    assert careful.post(link).status_code == HTTPStatus.FORBIDDEN
    assert Phone.objects.get().enrolled_at is None


def test_no_script_reads_the_key_and_no_other_site_sends_it(client, link, settings):
    settings.SESSION_COOKIE_SECURE = True

    client.post(link)

    # RFC 6265, sections 4.1.2.4 to 4.1.2.6, and SameSite of its successor's draft.
    cookie = client.cookies[COOKIE]
    assert cookie["path"] == COOKIE_PATH == "/phone/"
    assert (cookie["httponly"], cookie["secure"], cookie["samesite"]) == (True, True, "Lax")
    assert cookie["max-age"] <= 400 * 86400


def test_the_database_holds_neither_key(client, link, invited):
    client.post(link)

    stored = " ".join(map(str, Phone.objects.values_list().get()))
    assert client.cookies[COOKIE].value not in stored
    assert link.split("/")[-2] not in stored


def test_a_link_is_out_of_date_after_a_week(client, link, invited, clock):
    clock.shift(timedelta(days=7) - timedelta(seconds=1))
    assert client.get(link).status_code == HTTPStatus.OK

    clock.shift(timedelta(seconds=1))
    assert client.post(link).status_code == HTTPStatus.NOT_FOUND
    with pytest.raises(phones.PhoneLinkClosedError, match="new link"):
        phones.link_url(invited, now=NOW + timedelta(days=7))


def test_a_phone_that_is_used_stays_in_for_years(client, link, clock):
    client.post(link)

    for _ in range(8):
        clock.shift(timedelta(days=200))
        answer = client.get(WEEK)
        assert answer.status_code == HTTPStatus.OK
        assert COOKIE in answer.cookies  # kept anew


def test_a_revoked_phone_and_a_revoked_link_are_out(client, crew, link, invited):
    client.post(link)
    other, address = phones.invite(crew=crew, person_name="Bo", now=NOW)

    phones.revoke_phone(phone=invited, now=NOW)
    phones.revoke_phone(phone=other, now=NOW)

    assert client.get(WEEK).status_code == HTTPStatus.FORBIDDEN
    assert Client().post(address.partition("8000")[2]).status_code == HTTPStatus.NOT_FOUND


def test_a_new_link_puts_the_lost_phone_out(client, link, invited, settings):
    client.post(link)

    address = phones.renew_link(phone=invited, now=NOW).removeprefix(settings.PUBLIC_URL)

    assert client.get(WEEK).status_code == HTTPStatus.FORBIDDEN
    assert Client().get(link).status_code == HTTPStatus.NOT_FOUND
    found = Client()
    found.post(address)
    assert found.get(WEEK).status_code == HTTPStatus.OK


def test_a_phone_of_someone_whose_sign_in_is_closed_is_out(client, crew, settings):
    user = CrewLeadFactory()
    _, address = phones.invite(crew=crew, person_name="Ada", user=user, now=NOW)
    client.post(address.removeprefix(settings.PUBLIC_URL))
    assert client.get(WEEK).status_code == HTTPStatus.OK

    user.is_active = False
    user.save()

    assert client.get(WEEK).status_code == HTTPStatus.FORBIDDEN


@pytest.mark.parametrize("token", ["", "no-such-key", "x" * 5000, "é"])
def test_whoever_has_no_key_reads_nothing(client, link, token, office):
    client.force_login(office)  # the office's own sign-in is no phone's
    client.cookies[COOKIE] = token

    assert client.get(WEEK).status_code == HTTPStatus.FORBIDDEN
    assert client.get(reverse("phone:phase", args=[1])).status_code == HTTPStatus.FORBIDDEN
    assert client.get(reverse("phone:photo", args=[1])).status_code == HTTPStatus.FORBIDDEN


def test_a_program_is_told_in_json_that_the_phone_is_not_known(client, db):
    answer = client.get(WEEK, headers={"accept": "application/json"})

    assert answer.status_code == HTTPStatus.FORBIDDEN
    assert answer.json()["error"] == "phone_unknown"


def test_the_office_sees_when_a_phone_was_last_seen_within_ten_minutes(
    client, link, invited, clock
):
    client.post(link, headers={"user-agent": ANDROID})

    for minutes, seen in ((9, NOW), (1, NOW + timedelta(minutes=10))):
        clock.shift(timedelta(minutes=minutes))
        client.get(WEEK, headers={"user-agent": ANDROID})
        invited.refresh_from_db()
        assert invited.last_seen_at == seen
    assert invited.client == "Android, Chrome"


def test_pages_of_phones_are_kept_by_nobody_else_and_found_by_no_search(client, link):
    client.post(link)

    for answer in (client.get(WEEK), client.get(link), Client().get(WEEK)):
        assert "private" in answer.headers["Cache-Control"]
        assert answer.headers["X-Robots-Tag"] == "noindex"
        assert answer.headers["Referrer-Policy"] == "same-origin"


def test_a_link_still_shows_after_the_secret_key_was_replaced(invited, link, settings):
    settings.SECRET_KEY_FALLBACKS = [settings.SECRET_KEY]
    settings.SECRET_KEY = "another"

    assert phones.link_url(invited, now=NOW).endswith(link)

    settings.SECRET_KEY_FALLBACKS = []
    with pytest.raises(phones.PhoneLinkClosedError, match="another secret key"):
        phones.link_url(invited, now=NOW)


def test_no_log_holds_the_key_of_a_link(link):
    assert link.split("/")[-2] not in without_keys(f'"POST {link} HTTP/1.1" 302')


@pytest.mark.parametrize(
    ("user_agent", "family"),
    [(IPHONE, "iPhone, Safari"), (ANDROID, "Android, Chrome"), ("", "Unknown"), ("x", "Unknown")],
)
def test_the_kind_of_phone_is_kept_and_not_the_whole_line(user_agent, family):
    # The two lines are the shapes that the browsers' own documents give (from memory).
    assert phones.phone_family(user_agent) == family
