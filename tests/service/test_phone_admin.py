"""The office makes a link with its code, sees who is in, and puts phones out."""

from datetime import UTC, datetime, timedelta
from http import HTTPStatus
from urllib.parse import unquote

import pytest
import time_machine
from django.urls import reverse

from crews.models import Phone
from crews.selectors.phones import phone_for
from crews.services import phones
from tests.factories import CrewFactory

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 8, 12, tzinfo=UTC)
LIST = reverse("admin:crews_phone_changelist")


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def crew():
    return CrewFactory(name="North crew")


@pytest.fixture
def desk(client, office):
    client.force_login(office)
    return client


def _page(client, phone):
    return client.get(reverse("admin:crews_phone_change", args=[phone.pk])).content.decode()


def test_adding_a_phone_leads_to_its_link_and_code(desk, crew):
    answer = desk.post(
        reverse("admin:crews_phone_add"), {"crew": crew.pk, "person_name": "Ada Bright"}
    )

    phone = Phone.objects.get()
    assert answer.headers["Location"] == reverse("admin:crews_phone_change", args=[phone.pk])
    page = _page(desk, phone)
    url = phones.link_url(phone, now=NOW)
    assert f'value="{url}"' in page
    assert 'class="segno"' in page
    # RFC 5724, section 2.2: sms with the text as `body`.
    sms = page.partition('href="sms:')[2].partition('"')[0]
    assert unquote(sms) == f"?body={url}"


def test_once_it_is_used_the_link_is_gone_and_the_phone_is_there(desk, crew):
    phone, url = phones.invite(crew=crew, person_name="Ada", now=NOW)
    phones.enroll(key=url.split("/")[-2], client="x (Android 14) Firefox/127.0", now=NOW)

    page = _page(desk, phone)

    assert url not in page
    assert "Signed in" in page
    listed = desk.get(LIST).content.decode()
    assert "Android, Firefox" in listed


def test_a_phone_that_moves_to_another_crew_stays_in(desk, crew):
    phone, url = phones.invite(crew=crew, person_name="Ada", now=NOW)
    _, token = phones.enroll(key=url.split("/")[-2], client="", now=NOW)
    other = CrewFactory(name="South crew")

    desk.post(
        reverse("admin:crews_phone_change", args=[phone.pk]),
        {"crew": other.pk, "person_name": "Ada"},
    )

    found = phone_for(token)
    assert found is not None
    assert found.crew == other


def test_revoking_and_new_links_work_on_many(desk, crew, clock):
    made = [phones.invite(crew=crew, person_name=name, now=NOW) for name in ("Ada", "Bo")]
    chosen = [phone.pk for phone, _ in made]
    clock.shift(timedelta(minutes=1))

    desk.post(LIST, {"action": "revoke", "_selected_action": chosen})
    assert Phone.objects.filter(revoked_at=None).count() == 0

    desk.post(LIST, {"action": "new_link", "_selected_action": chosen})
    assert Phone.objects.filter(revoked_at=None).count() == 2
    for phone, url in made:
        phone.refresh_from_db()
        assert phones.link_url(phone, now=NOW) != url


def test_the_owner_sees_the_phones_and_not_their_links(client, owner, crew):
    phone, url = phones.invite(crew=crew, person_name="Ada", now=NOW)
    client.force_login(owner)

    page = _page(client, phone)

    assert "Ada" in page
    assert url not in page


def test_strangers_and_leads_have_no_such_page(client, stranger, lead, crew):
    for person in (stranger, lead):
        client.force_login(person)
        assert client.get(LIST).status_code == HTTPStatus.FOUND
