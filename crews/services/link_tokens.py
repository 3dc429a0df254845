"""Keys of links: worked out from a number in the row and the service's secret, never stored."""

import base64
import uuid

from django.conf import settings
from django.utils.crypto import salted_hmac

from crews.selectors import token_hash


def token_of(nonce: uuid.UUID, *, salt: str, secret: str | bytes | None = None) -> str:
    """Return the token of a link, 256 bits in base64 for addresses; `salt` names its kind."""
    key = settings.SECRET_KEY if secret is None else secret
    digest = salted_hmac(salt, nonce.bytes, secret=key, algorithm="sha256").digest()
    return base64.urlsafe_b64encode(digest).rstrip(b"=").decode()


def shown_again(nonce: uuid.UUID, stored_hash: str, *, salt: str) -> str | None:
    """
    Return the token whose hash is stored; None if the secret key it was made under is gone.

    So the office can show a link again, while a copy of the database alone opens nothing.
    """
    for secret in (settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS):
        token = token_of(nonce, salt=salt, secret=secret)
        if token_hash(token) == stored_hash:
            return token
    return None
