"""Rows that have served their time and still tell of people are not kept for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.contrib.sessions.models import Session

from jobs.services.importing import forget_checked_files
from jobs.services.sign_in import forget_old_failures

if TYPE_CHECKING:
    from datetime import datetime


def forget_leftovers(*, now: datetime) -> int:
    """
    Delete sessions that ended, files checked and never loaded, and old failures to sign in.

    Return how many rows went. All of them open nothing and count for nothing any more.
    """
    ended, _ = Session.objects.filter(expire_date__lt=now).delete()
    return ended + forget_checked_files(now=now) + forget_old_failures(now=now)
