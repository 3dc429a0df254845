"""Programs sign in to the API with a token: `Authorization: Token <key>`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.utils import timezone
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed

from jobs.services.api_tokens import token_of

if TYPE_CHECKING:
    from django.contrib.auth.models import User
    from rest_framework.request import Request

    from jobs.models import ApiToken

KEYWORD = "Token"


class ByToken(BaseAuthentication):
    """Signs in whom the token stands for."""

    def authenticate(self, request: Request) -> tuple[User, ApiToken] | None:
        """Return the person and the token; None where the header speaks of something else."""
        words = get_authorization_header(request).split()
        if not words or words[0].lower() != KEYWORD.lower().encode():
            return None
        key = words[1].decode("latin-1") if len(words) == 2 else ""
        token = token_of(key=key, now=timezone.now()) if key else None
        if token is None:
            # Wrong, revoked and someone who left look alike.
            raise AuthenticationFailed("This token opens nothing. Ask for a new one.")
        return token.user, token

    def authenticate_header(self, request: Request) -> str:
        """Return what the refusal asks for."""
        return KEYWORD


class _Described(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call, misc]
    """How the schema tells of it."""

    target_class = ByToken
    name = "tokenAuth"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        """Return the security scheme of OpenAPI 3.0."""
        return {
            "type": "apiKey",
            "in": "header",
            "name": "Authorization",
            "description": "`Token ` and the key, with one space between.",
        }
