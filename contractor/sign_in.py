"""The only door that takes a password: it stops guessing and says for how long."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.conf import settings
from django.contrib.admin.forms import AdminAuthenticationForm
from django.contrib.auth.backends import ModelBackend
from django.core.exceptions import PermissionDenied, ValidationError
from django.utils import timezone

from jobs.services import sign_in

if TYPE_CHECKING:
    from django.contrib.auth.models import User
    from django.http import HttpRequest


class GuardedBackend(ModelBackend):
    """Signs in by name and password, unless too many of them did not fit a short while ago."""

    def authenticate(
        self,
        request: HttpRequest | None,
        username: str | None = None,
        password: str | None = None,
        **kwargs: Any,
    ) -> User | None:
        """
        Return the person, or None when the password does not fit.

        Raises
        ------
        django.core.exceptions.PermissionDenied
            While the name or the address is locked; a password that fits does not open it.
        """
        if username is None or password is None:
            return None
        who = {"username": username, "address": address_of(request)}
        now = timezone.now()
        if sign_in.locked_until(**who, now=now):
            raise PermissionDenied("locked")
        user = super().authenticate(request, username=username, password=password, **kwargs)
        if user is None:
            sign_in.record_failure(**who, now=now)
        else:
            sign_in.record_success(**who)
        return user  # type: ignore[return-value]


class SignInForm(AdminAuthenticationForm):
    """The sign-in page's form, which tells someone who is locked out when to come again."""

    def clean(self) -> dict[str, Any]:
        """Refuse with the time to wait, whether such a person exists or not."""
        now = timezone.now()
        until = sign_in.locked_until(
            username=self.cleaned_data.get("username", ""),
            address=address_of(self.request),
            now=now,
        )
        if until:
            minutes = int((until - now).total_seconds() // 60) + 1
            raise ValidationError(
                f"Too many passwords did not fit. Wait {minutes} min and try again, "
                "or ask the office for a new password.",
                code="locked",
            )
        return super().clean()


def address_of(request: HttpRequest | None) -> str:
    """Return where a request came from: behind a proxy, what the proxy itself saw."""
    if request is None:
        return ""
    if settings.BEHIND_PROXY:
        # The last one is the proxy's own; those before it are the sender's to invent.
        forwarded = request.headers.get("X-Forwarded-For", "").rpartition(",")[2].strip()
        if forwarded:
            return forwarded[:45]
    return str(request.META.get("REMOTE_ADDR", ""))[:45]
