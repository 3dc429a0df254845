"""
The only door that takes a password: it stops guessing and says for how long.

Each decision is a line of the log. Source: OWASP ASVS 4.0.3, 7.2.1, from memory.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Any

from django.contrib.admin.forms import AdminAuthenticationForm
from django.contrib.auth import get_user_model
from django.contrib.auth.backends import ModelBackend
from django.core.exceptions import PermissionDenied, ValidationError
from django.utils import timezone

from contractor.senders import address_of
from jobs import tasks
from jobs.services import sign_in

if TYPE_CHECKING:
    from django.contrib.auth.models import User
    from django.http import HttpRequest

logger = logging.getLogger(__name__)


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
            _log_refusal("locked", **who)
            raise PermissionDenied("locked")
        user = super().authenticate(request, username=username, password=password, **kwargs)
        if user is None:
            sign_in.record_failure(**who, now=now)
            _log_refusal("the password does not fit", **who)
        else:
            sign_in.record_success(**who)
        return user  # type: ignore[return-value]


class SignInForm(AdminAuthenticationForm):
    """The sign-in page's form, which tells someone who is locked out when to come again."""

    def clean(self) -> dict[str, Any]:
        """Refuse with the time to wait, whether such a person exists or not."""
        now = timezone.now()
        who = {
            "username": self.cleaned_data.get("username", ""),
            "address": address_of(self.request),
        }
        until = sign_in.locked_until(**who, now=now)
        if until:
            _log_refusal("locked", **who)
            minutes = int((until - now).total_seconds() // 60) + 1
            raise ValidationError(
                f"Too many passwords did not fit. Wait {minutes} min and try again, "
                "or ask the office for a new password.",
                code="locked",
            )
        return super().clean()


class TellsOfNewPassword:
    """Refuses no password, and tells a person that theirs was changed, by whomever."""

    def validate(self, password: str, user: Any = None) -> None:
        """Take any."""

    def get_help_text(self) -> str:
        """Return what stands below the field."""
        return "Whose password it is gets a message that it was changed, if we have their address."

    def password_changed(self, password: str, user: User | None = None) -> None:
        """Note it, and write to whoever has signed in by the one before."""
        if user is None:
            return
        logger.info("New password: %s", user.get_username())
        if user.last_login is not None:
            tasks.enqueue_word_of_new_password(user_id=user.pk)


def log_signed_in(request: HttpRequest | None, user: User, **_given: Any) -> None:
    """Note who came in."""
    logger.info("Signed in: %s from %s", user.get_username(), address_of(request))


def log_signed_out(request: HttpRequest | None, user: User | None, **_given: Any) -> None:
    """Note who went."""
    if user is not None:
        logger.info("Signed out: %s from %s", user.get_username(), address_of(request))


def _log_refusal(why: str, *, username: str, address: str) -> None:
    # What fits nobody may be a password in the wrong field: only names that are known are written.
    known = get_user_model().objects.filter(username=username).exists()
    name = username if known else "a name that nobody has"
    logger.warning("Sign-in refused, %s: %s from %s", why, name, address)
