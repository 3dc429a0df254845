"""Whose phone asks, and which link enrols whom."""

import hashlib
from datetime import datetime

from django.db.models import Q

from crews.models import Phone


def key_hash(key: str) -> str:
    """Return what is stored of a link's or a phone's key."""
    return hashlib.sha256(key.encode()).hexdigest()


def phone_for(token: str) -> Phone | None:
    """
    Return the enrolled phone that keeps this key, its crew and user loaded; None for no such.

    Revoked phones, and those of people whose sign-in was closed, look like unknown ones.
    """
    return (
        Phone.objects.select_related("crew", "user")
        .filter(Q(user=None) | Q(user__is_active=True), token_hash=key_hash(token), revoked_at=None)
        .first()
    )


def invited_phone(key: str, *, now: datetime) -> Phone | None:
    """Return the phone that a link would enroll now; None if it opens nothing."""
    return (
        Phone.objects.select_related("crew")
        .filter(link_hash=key_hash(key), enrolled_at=None, revoked_at=None, link_ends_at__gt=now)
        .first()
    )
