"""Links to the crews' calendars: made, shown again, replaced, revoked, and fetched."""

import re
from datetime import UTC, datetime, timedelta

import pytest
from django.core.exceptions import ValidationError

from crews import services
from crews.models import FeedSubscription
from crews.selectors import subscription_for, token_hash
from tests.factories import CrewFactory

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)


@pytest.fixture
def made():
    return services.subscribe(crew=CrewFactory(), reader="Lead's phone", now=NOW)


def _token(url):
    return url.rpartition("/")[2].removesuffix(".ics")


def test_a_link_ends_in_ics_and_carries_256_bits(made, settings):
    _, url = made

    assert url.startswith(f"{settings.PUBLIC_URL}/feeds/")
    # 32 octets are 43 characters of base64url without padding (RFC 4648, section 5).
    assert re.fullmatch(r"[A-Za-z0-9_-]{43}", _token(url))


def test_the_row_alone_opens_nothing(made):
    subscription, url = made
    stored = {str(value) for value in FeedSubscription.objects.values().get().values()}

    assert not any(_token(url) in value for value in stored)
    assert subscription_for(subscription.token_hash) is None
    assert subscription_for(str(subscription.nonce)) is None
    assert subscription_for(_token(url)) == subscription


def test_the_office_can_show_the_link_again(made):
    subscription, url = made

    assert services.feed_url(FeedSubscription.objects.get(pk=subscription.pk)) == url


def test_two_readers_of_a_crew_have_different_links(made):
    subscription, url = made

    _, other = services.subscribe(crew=subscription.crew, reader="Office wall", now=NOW)

    assert other != url


@pytest.mark.parametrize("reader", ["", "   ", "x" * 61])
def test_a_reader_without_a_fitting_name_is_refused(reader):
    with pytest.raises(ValidationError, match="reader"):
        services.subscribe(crew=CrewFactory(), reader=reader, now=NOW)

    assert not FeedSubscription.objects.exists()


def test_a_new_link_closes_the_old_one(made):
    subscription, old = made

    new = services.replace_link(subscription, NOW + timedelta(days=1))

    assert subscription_for(_token(old)) is None
    assert subscription_for(_token(new)) == subscription
    assert services.feed_url(FeedSubscription.objects.get()) == new


def test_a_new_link_has_not_been_fetched_yet(made):
    subscription, _ = made
    services.record_fetch(subscription=subscription, client="Phone/1", now=NOW)

    services.replace_link(subscription, NOW + timedelta(days=1))

    stored = FeedSubscription.objects.get()
    assert (stored.last_fetched_at, stored.last_client) == (None, "")
    assert stored.created_at == NOW + timedelta(days=1)


def test_a_revoked_link_opens_nothing_and_stays_revoked(made):
    subscription, url = made
    services.revoke(subscription, NOW)
    services.revoke(subscription, NOW + timedelta(days=1))

    assert subscription.revoked_at == NOW
    assert subscription_for(_token(url)) is None
    with pytest.raises(services.LinkClosedError, match="revoked"):
        services.feed_url(subscription)
    with pytest.raises(services.LinkClosedError, match="revoked"):
        services.replace_link(subscription, NOW)


def test_a_link_survives_a_new_secret_key_while_the_old_one_is_kept(made, settings):
    subscription, url = made
    settings.SECRET_KEY_FALLBACKS = [settings.SECRET_KEY]
    settings.SECRET_KEY = "another key for this test only"

    assert services.feed_url(subscription) == url
    assert subscription_for(_token(url)) == subscription


def test_a_link_of_a_lost_secret_key_says_what_to_do(made, settings):
    subscription, _ = made
    settings.SECRET_KEY = "another key for this test only"

    with pytest.raises(services.LinkClosedError, match="Make a new link"):
        services.feed_url(subscription)


def test_fetches_are_written_at_most_once_in_ten_minutes(made, django_assert_num_queries):
    subscription, _ = made

    first = services.record_fetch(subscription=subscription, client="Phone/1", now=NOW)
    subscription.refresh_from_db()
    with django_assert_num_queries(0):
        second = services.record_fetch(
            subscription=subscription, client="Phone/1", now=NOW + timedelta(minutes=9)
        )
    third = services.record_fetch(
        subscription=subscription, client="Phone/1", now=NOW + timedelta(minutes=10)
    )

    subscription.refresh_from_db()
    assert (first, second, third) == (True, False, True)
    assert subscription.last_fetched_at == NOW + timedelta(minutes=10)


def test_of_two_fetches_at_once_one_is_written(made):
    subscription, _ = made
    same_row_read_before = FeedSubscription.objects.get()

    services.record_fetch(subscription=subscription, client="Phone/1", now=NOW)
    second = services.record_fetch(subscription=same_row_read_before, client="Wall/2", now=NOW)

    subscription.refresh_from_db()
    assert not second
    assert subscription.last_client == "Phone"


@pytest.mark.parametrize(
    ("user_agent", "family"),
    [
        ("Phone/17.0 (21A329) reader/1.0", "Phone"),
        ("", ""),
        ("   ", ""),
        ("\x1b[31mred", "[31mred"),
        ("x" * 300, "x" * 40),
    ],
)
def test_the_client_is_kept_as_its_first_word(made, user_agent, family):
    subscription, _ = made

    services.record_fetch(subscription=subscription, client=user_agent, now=NOW)

    assert FeedSubscription.objects.get().last_client == family


def test_the_stored_hash_is_sha_256():
    # FIPS 180-4 example, "abc".
    assert token_hash("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
