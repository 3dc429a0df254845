"""Letting a site be as it is: the office's signed word against the shots."""

from __future__ import annotations

from typing import TYPE_CHECKING

from inspections.models import SiteReadiness

if TYPE_CHECKING:
    from datetime import datetime

    from django.contrib.auth.models import User

    from jobs.models import Job


class ReleaseRefused(Exception):  # noqa: N818 - what happened, not a defect
    """A site is not released without a reason."""


def release(*, job: Job, by: User, why: str, now: datetime) -> SiteReadiness:
    """
    Release a site whose ground falls too much, signed with who, when and why.

    It holds until the site is shot again on a later day.

    Raises
    ------
    ReleaseRefused
        If no reason is given.
    """
    reason = why.strip()
    if not reason:
        raise ReleaseRefused("Say why this site is good enough, so that others can read it later.")
    row, _ = SiteReadiness.objects.get_or_create(job=job)
    row.released_at, row.released_by, row.release_why = now, by, reason[:200]
    row.full_clean()
    row.save()
    return row


def take_back_release(*, job: Job) -> bool:
    """Take a release back, and return whether there was one."""
    changed = SiteReadiness.objects.filter(job=job, released_at__isnull=False).update(
        released_at=None, released_by=None, release_why=""
    )
    return bool(changed)
