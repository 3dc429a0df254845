"""Links that enrol a phone, phones that stay signed in, and when each was last seen."""

import base64
import re
import secrets
import uuid
from datetime import datetime, timedelta

from django.conf import settings
from django.contrib.auth.models import User
from django.db.models import Q
from django.urls import reverse
from django.utils.crypto import salted_hmac

from crews.models import Crew, Phone
from crews.selectors.phones import key_hash

# Long enough for a person who is away for a week; our own.
LINK_OPENS_FOR = timedelta(days=7)
SEEN_RECORDED_EVERY = timedelta(minutes=10)
_LINK_SALT = "crews.services.phone_link"
# What a phone calls itself, the more special first: every one of them also says the later ones.
_FAMILIES = (
    ("iPhone", r"iPhone"),
    ("iPad", r"iPad"),
    ("Android", r"Android"),
    ("Windows", r"Windows"),
    ("Mac", r"Macintosh"),
    ("Linux", r"Linux"),
)
_BROWSERS = (
    ("Edge", r"Edg(?:e|A|iOS)?/"),
    ("Firefox", r"(?:Firefox|FxiOS)/"),
    ("Chrome", r"(?:Chrome|CriOS)/"),
    ("Safari", r"Safari/"),
)


class PhoneLinkClosedError(Exception):
    """Raised when a link enrols no phone; the message says what to do."""


def invite(
    *, crew: Crew, person_name: str, now: datetime, user: User | None = None
) -> tuple[Phone, str]:
    """
    Return a person's phone that is not enrolled yet, and the address that enrols it once.

    Raises
    ------
    django.core.exceptions.ValidationError
        If the name is empty or longer than 60 characters.
    """
    phone = Phone(crew=crew, person_name=person_name.strip(), user=user)
    _set_link(phone, now)
    phone.full_clean()
    phone.save()
    return phone, link_url(phone, now=now)


def link_url(phone: Phone, *, now: datetime) -> str:
    """
    Return the address that enrols this phone, as long as it does.

    The key is worked out again from the nonce and the service's secret key, so that the office
    can show and print it.

    Raises
    ------
    PhoneLinkClosedError
        If it was used or revoked, is out of date, or the secret key it was made under is gone.
    """
    if phone.revoked_at is not None:
        raise PhoneLinkClosedError("This phone was revoked. Make a new link to let it in again.")
    if phone.enrolled_at is not None:
        raise PhoneLinkClosedError("The link was used. Make a new link for another phone.")
    if phone.link_ends_at <= now:
        raise PhoneLinkClosedError("Nobody used the link in time. Make a new link.")
    for secret in (settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS):
        key = _link_key(phone.nonce, secret)
        if key_hash(key) == phone.link_hash:
            return f"{settings.PUBLIC_URL}{reverse('phone:enroll', kwargs={'key': key})}"
    raise PhoneLinkClosedError("The link was made under another secret key. Make a new link.")


def renew_link(*, phone: Phone, now: datetime) -> str:
    """Return a new address for this person; the old one and the old phone open nothing any more."""
    phone.nonce = uuid.uuid4()
    _set_link(phone, now)
    phone.token_hash = phone.enrolled_at = phone.last_seen_at = phone.revoked_at = None
    phone.client = ""
    phone.save()
    return link_url(phone, now=now)


def enroll(*, key: str, client: str, now: datetime) -> tuple[Phone, str]:
    """
    Use a link up, and return its phone and the key that the phone keeps.

    `client` is the User-Agent line; what kind of phone it names is kept.

    Raises
    ------
    PhoneLinkClosedError
        If the link is unknown, used, revoked or out of date; they look alike.
    """
    token = secrets.token_urlsafe(32)
    # One conditional statement: of two phones that open a link at the same moment one is let in.
    used = Phone.objects.filter(
        link_hash=key_hash(key), enrolled_at=None, revoked_at=None, link_ends_at__gt=now
    ).update(
        token_hash=key_hash(token),
        enrolled_at=now,
        last_seen_at=now,
        client=phone_family(client),
    )
    if not used:
        raise PhoneLinkClosedError("This link opens nothing. Ask the office for a new one.")
    return Phone.objects.select_related("crew", "user").get(link_hash=key_hash(key)), token


def revoke_phone(*, phone: Phone, now: datetime) -> None:
    """Let a phone, or the link for it, in no more; doing it again changes nothing."""
    Phone.objects.filter(pk=phone.pk, revoked_at=None).update(revoked_at=now)
    phone.refresh_from_db(fields=["revoked_at"])


def record_seen(*, phone: Phone, client: str, now: datetime) -> bool:
    """Return whether a visit was written down; at most one in ten minutes is."""
    before = now - SEEN_RECORDED_EVERY
    if phone.last_seen_at is not None and phone.last_seen_at > before:
        return False
    due = Q(last_seen_at=None) | Q(last_seen_at__lte=before)
    written = Phone.objects.filter(due, pk=phone.pk, token_hash=phone.token_hash).update(
        last_seen_at=now, client=phone_family(client)
    )
    return written == 1


def phone_family(user_agent: str) -> str:
    """Return the kind of phone and browser that a User-Agent line names, like "iPhone, Safari"."""
    named = (
        next((name for name, pattern in known if re.search(pattern, user_agent)), "")
        for known in (_FAMILIES, _BROWSERS)
    )
    return ", ".join(filter(None, named)) or "Unknown"


def _set_link(phone: Phone, now: datetime) -> None:
    phone.link_hash = key_hash(_link_key(phone.nonce, settings.SECRET_KEY))
    phone.link_made_at = now
    phone.link_ends_at = now + LINK_OPENS_FOR


def _link_key(nonce: uuid.UUID, secret: str | bytes) -> str:
    digest = salted_hmac(_LINK_SALT, nonce.bytes, secret=secret, algorithm="sha256").digest()
    return base64.urlsafe_b64encode(digest).rstrip(b"=").decode()
