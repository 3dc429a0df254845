"""Guessing passwords is stopped: after too many that did not fit, none is looked at for a while."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.conf import settings
from django.contrib.auth.models import User
from django.core.mail import EmailMessage

from jobs.models import FailedSignIn

WINDOW = timedelta(minutes=15)
"""How long a failure counts."""
# Our own numbers; by name they stay below the 100 an hour of OWASP ASVS 4.0.3, 2.2.1.
MOST_FROM_ONE_PLACE = 5
"""Failures of one name from one address: someone who forgot."""
MOST_OF_ONE_NAME = 20
"""Failures of one name from anywhere: someone who guesses from many places."""
MOST_FROM_ONE_ADDRESS = 50
"""Failures from one address under any name: someone who tries names."""
KEPT_FOR = timedelta(days=1)


def locked_until(*, username: str, address: str, now: datetime) -> datetime | None:
    """Return when the next password of this name from this address is looked at; None is now."""
    recent = FailedSignIn.objects.filter(failed_at__gt=now - WINDOW)
    name = _folded(username)
    limits = (
        (recent.filter(username=name, address=address), MOST_FROM_ONE_PLACE),
        (recent.filter(username=name), MOST_OF_ONE_NAME),
        (recent.filter(address=address), MOST_FROM_ONE_ADDRESS),
    )
    ends = []
    for rows, most in limits:
        # With the failure that is `most` from the newest gone, fewer than `most` are left.
        failed = list(rows.order_by("-failed_at").values_list("failed_at", flat=True)[:most])
        if len(failed) == most:
            ends.append(failed[-1] + WINDOW)
    return max(ends, default=None)


def record_failure(*, username: str, address: str, now: datetime) -> None:
    """Keep a password that did not fit, and drop what no longer counts."""
    forget_old_failures(now=now)
    FailedSignIn.objects.create(username=_folded(username), address=address, failed_at=now)


def record_success(*, username: str, address: str) -> None:
    """Forget what this person got wrong from this address."""
    FailedSignIn.objects.filter(username=_folded(username), address=address).delete()


def forget_old_failures(*, now: datetime) -> int:
    """Drop failures of more than a day ago, with the addresses they came from; return how many."""
    return FailedSignIn.objects.filter(failed_at__lt=now - KEPT_FOR).delete()[0]


def tell_of_new_password(*, user_id: int) -> bool:
    """
    Return whether a person was written to that they have a new password; some have no address.

    Raises
    ------
    OSError
        If the mail server does not take it; `smtplib` raises no other.
    """
    person = User.objects.filter(pk=user_id, is_active=True).exclude(email="").first()
    if person is None:
        return False
    EmailMessage(
        subject="Your password was changed",
        body=(
            f"{person.get_full_name() or person.get_username()},\n\n"
            f"the password of {person.get_username()} at {settings.PUBLIC_URL} was changed, and "
            "all that was signed in by the one before is signed out. If neither you nor the "
            "office did that at your wish, tell the office at once."
        ),
        to=[person.email],
    ).send()
    return True


def _folded(username: str) -> str:
    return username.strip().casefold()[:150]
