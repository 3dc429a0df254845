"""Links to the calendars: made, shown, replaced, revoked, and when each was last used."""

import uuid
from datetime import datetime, timedelta

from django.conf import settings
from django.db.models import Q
from django.urls import reverse

from crews import selectors
from crews.models import Crew, FeedCalendar, FeedSubscription
from crews.services.link_tokens import shown_again, token_of

CLIENT_CHARACTERS = 40


FETCH_RECORDED_EVERY = timedelta(minutes=10)


_TOKEN_SALT = "crews.services.feed_token"


class LinkClosedError(Exception):
    """Raised when a subscription has no address that opens; the message says what to do."""


def subscribe(
    *,
    crew: Crew | None = None,
    calendar: FeedCalendar | None = None,
    reader: str,
    now: datetime,
) -> tuple[FeedSubscription, str]:
    """
    Return a new reader's subscription to a crew's or another calendar, and its address.

    Raises
    ------
    django.core.exceptions.ValidationError
        If the reader is empty or longer than 60 characters.
    """
    subscription = FeedSubscription(
        crew=crew, calendar=calendar, reader=reader.strip(), created_at=now
    )
    token = token_of(subscription.nonce, salt=_TOKEN_SALT)
    subscription.token_hash = selectors.token_hash(token)
    subscription.full_clean()
    subscription.save()
    return subscription, _url(token)


def feed_url(subscription: FeedSubscription) -> str:
    """
    Return the address of a subscription that is open.

    Raises
    ------
    LinkClosedError
        If it was revoked, or the secret key it was made under is gone.
    """
    if subscription.revoked_at is not None:
        raise LinkClosedError("This link was revoked. Add a new reader to open the calendar again.")
    token = shown_again(subscription.nonce, subscription.token_hash, salt=_TOKEN_SALT)
    if token is None:
        raise LinkClosedError("This link was made under another secret key. Make a new link.")
    return _url(token)


def replace_link(subscription: FeedSubscription, now: datetime) -> str:
    """
    Return a new address for the reader; the old one opens nothing from here on.

    Raises
    ------
    LinkClosedError
        If the subscription was revoked.
    """
    nonce = uuid.uuid4()
    token = token_of(nonce, salt=_TOKEN_SALT)
    fresh = {
        "nonce": nonce,
        "token_hash": selectors.token_hash(token),
        "created_at": now,
        "last_fetched_at": None,
        "last_client": "",
    }
    # One conditional statement: a link that is revoked at the same moment stays revoked.
    if not FeedSubscription.objects.filter(pk=subscription.pk, revoked_at=None).update(**fresh):
        raise LinkClosedError("This link was revoked. Add a new reader to open the calendar again.")
    for name, value in fresh.items():
        setattr(subscription, name, value)
    return _url(token)


def revoke(subscription: FeedSubscription, now: datetime) -> None:
    """Close a link for good; closing it again changes nothing."""
    FeedSubscription.objects.filter(pk=subscription.pk, revoked_at=None).update(revoked_at=now)
    subscription.refresh_from_db(fields=["revoked_at"])


def record_fetch(
    *, subscription: FeedSubscription | selectors.OpenLink, client: str, now: datetime
) -> bool:
    """
    Return whether a fetch was written down; at most one in ten minutes is.

    `client` is the User-Agent line; its first word is kept.
    """
    before = now - FETCH_RECORDED_EVERY
    last = subscription.last_fetched_at
    if last is not None and last > before:
        return False
    due = Q(last_fetched_at=None) | Q(last_fetched_at__lte=before)
    written = FeedSubscription.objects.filter(
        due, pk=subscription.pk, token_hash=subscription.token_hash
    ).update(last_fetched_at=now, last_client=_client_family(client))
    return written == 1


def _client_family(user_agent: str) -> str:
    words = user_agent.replace("/", " ").split()
    return "".join(filter(str.isprintable, words[0]))[:CLIENT_CHARACTERS] if words else ""


def _url(token: str) -> str:
    return f"{settings.PUBLIC_URL}{reverse('crews:feed', kwargs={'token': token})}"
