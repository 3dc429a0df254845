"""Tokens by which programs read the API: made, used, revoked; the key itself is never kept."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime, timedelta

from django.contrib.auth.models import User

from jobs.models import ApiToken

USE_RECORDED_EVERY = timedelta(minutes=10)


def make_token(*, user: User, name: str, now: datetime) -> tuple[ApiToken, str]:
    """
    Return a new token and its key, which can be shown this once only.

    Raises
    ------
    django.core.exceptions.ValidationError
        If the name of the program is empty or too long.
    """
    key = secrets.token_urlsafe(32)
    token = ApiToken(user=user, name=name.strip(), key_hash=_hash(key), made_at=now)
    token.full_clean()
    token.save()
    return token, key


def token_of(*, key: str, now: datetime) -> ApiToken | None:
    """Return the token that a key opens, with its person; None for a wrong or revoked one."""
    rows = ApiToken.objects.select_related("user")
    token = rows.filter(key_hash=_hash(key), revoked_at=None, user__is_active=True).first()
    if token and (token.last_used_at is None or now - token.last_used_at >= USE_RECORDED_EVERY):
        token.last_used_at = now
        token.save(update_fields=["last_used_at"])
    return token


def revoke(*, token: ApiToken, now: datetime) -> None:
    """Let the token open nothing any more; revoking it again changes nothing."""
    if token.revoked_at is None:
        token.revoked_at = now
        token.save(update_fields=["revoked_at"])


def _hash(key: str) -> str:
    return hashlib.sha256(key.encode()).hexdigest()
