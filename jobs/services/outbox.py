"""
Send what waits in the outbox: one message a person, under a name that stays.

A worker claims the rows before it speaks to the mail server and marks them after. One that dies
in between leaves a claim that grows old; the sweep then sends the same message under the same
Message-ID (RFC 5322, section 3.6.4), so that a server or reader that had it already can tell.
"""

from __future__ import annotations

import smtplib
import uuid
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from django.conf import settings
from django.core.mail import EmailMessage
from django.db import transaction
from django.db.models import Q, QuerySet

from jobs.models import Notice

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

STALE_AFTER = timedelta(minutes=10)  # above the time limit of the task that sends
MOST_TRIES = 6
FIRST_PAUSE = timedelta(minutes=1)
LONGEST_PAUSE = timedelta(hours=1)
SIGNED = "You get this because it changes what you do. Ask the office where something is wrong."
CAUTION = (
    "Dates help to plan and are no permission: local code, the engineer's drawings and your "
    "inspector decide, and whoever is on site may always stop the work."
)


@dataclass(frozen=True, slots=True)
class Sent:
    """What became of one message."""

    person: str
    notices: int
    error: str = ""


def people_due(*, now: datetime) -> list[str]:
    """Return the people for whom something is to be sent by now, in order."""
    return list(_due(now).order_by("person").values_list("person", flat=True).distinct())


def send_due(*, person: str, now: datetime) -> Sent | None:
    """
    Send a person's due notices as one message, and return what came of it; None if there are none.

    Two at once send nothing twice: the rows are claimed first. A fault puts them back with a
    pause that doubles, and after the last try parks them for the office.
    """
    rows = _claim(person, now)
    if not rows:
        return None
    try:
        _message(rows, now).send()
    except (smtplib.SMTPException, OSError, ValueError) as fault:
        error = f"{type(fault).__name__}: {fault}"[:300]
        _put_back(rows, error, now=now, for_good=_is_for_good(fault))
        return Sent(person, len(rows), error)
    Notice.objects.filter(pk__in=[row.pk for row in rows], state=Notice.State.WAITING).update(
        state=Notice.State.SENT, sent_at=now, error="", claimed_at=None
    )
    return Sent(person, len(rows))


def _due(now: datetime) -> QuerySet[Notice]:
    free = Q(claimed_at=None) | Q(claimed_at__lt=now - STALE_AFTER)
    return Notice.objects.filter(free, state=Notice.State.WAITING, next_try_at__lte=now)


@transaction.atomic
def _claim(person: str, now: datetime) -> list[Notice]:
    """Take a person's due rows, those of one message: a name given once keeps its rows."""
    due = list(
        _due(now)
        .filter(person=person)
        .select_for_update(skip_locked=True)
        .order_by("made_at", "id")
    )
    if not due:
        return []
    name = next((row.message_id for row in due if row.message_id), None)
    rows = [row for row in due if row.message_id == name]
    fresh = name or uuid.uuid4()
    Notice.objects.filter(pk__in=[row.pk for row in rows]).update(claimed_at=now, message_id=fresh)
    for row in rows:
        row.message_id = fresh
    return rows


def _message(rows: Sequence[Notice], now: datetime) -> EmailMessage:
    first = rows[0]
    host = urlsplit(settings.PUBLIC_URL).hostname or "localhost"
    return EmailMessage(
        subject=first.subject if len(rows) == 1 else f"{len(rows)} things that are new for you",
        body=_text(rows),
        to=[first.email],
        headers={"Message-ID": f"<{first.message_id}@{host}>"},
    )


def _text(rows: Sequence[Notice]) -> str:
    parts = [f"{row.subject}\n\n{row.body}" if len(rows) > 1 else row.body for row in rows]
    return "\n\n".join([f"{rows[0].name},", *parts, SIGNED, CAUTION])


def _put_back(rows: Sequence[Notice], error: str, *, now: datetime, for_good: bool) -> None:
    for row in rows:
        tries = row.tries + 1
        parked = for_good or tries >= MOST_TRIES
        Notice.objects.filter(pk=row.pk, state=Notice.State.WAITING).update(
            state=Notice.State.PARKED if parked else Notice.State.WAITING,
            tries=tries,
            error=error,
            claimed_at=None,
            next_try_at=now + pause_after(tries),
        )


def pause_after(tries: int) -> timedelta:
    """Return how long to wait after so many tries: a minute, then twice as long each time."""
    return min(LONGEST_PAUSE, FIRST_PAUSE * (1 << (tries - 1)))


def _is_for_good(fault: Exception) -> bool:
    """Return whether trying again is in vain: an address refused by 5yz (RFC 5321, 4.2.1)."""
    if isinstance(fault, smtplib.SMTPRecipientsRefused):
        return all(code >= 500 for code, _ in fault.recipients.values())
    # A message that cannot even be written, such as one with a line break in its subject.
    return isinstance(fault, ValueError)
