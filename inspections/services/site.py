"""Grade shots as they come in, and the office's signed word against them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.db import transaction

from inspections.models import SiteReadiness, SiteShot

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date, datetime

    from django.contrib.auth.models import User

    from jobs.models import Job


class ReleaseRefused(Exception):  # noqa: N818 - what happened, not a defect
    """A site is not released without a reason."""


@transaction.atomic
def record_shots(
    *, job: Job, taken_on: date, kind: str, readings_ft: Mapping[str, float], taken_by: str
) -> list[SiteShot]:
    """
    Store the shots of one day as one set, in place of what that day had, and return them.

    Raises
    ------
    django.core.exceptions.ValidationError
        If a shot cannot be; nothing is stored then.
    """
    SiteShot.objects.filter(job=job, taken_on=taken_on).delete()
    shots = [
        SiteShot(
            job=job,
            taken_on=taken_on,
            place=place,
            kind=kind,
            reading_ft=reading_ft,
            taken_by=taken_by.strip(),
        )
        for place, reading_ft in readings_ft.items()
    ]
    for shot in shots:
        shot.full_clean()
    return SiteShot.objects.bulk_create(shots)


def set_expectations(
    *, job: Job, most_fall_in: float | None, expected_on: date | None
) -> SiteReadiness:
    """Store how much fall a building takes and when its site should be graded, where known."""
    row, _ = SiteReadiness.objects.get_or_create(job=job)
    row.most_fall_in, row.expected_on = most_fall_in, expected_on
    row.full_clean()
    row.save()
    return row


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
