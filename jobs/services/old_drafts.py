"""Drafts that nobody needs any more are forgotten, so that a database of years stays small."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from jobs.models import Plan
from jobs.selectors import plans

if TYPE_CHECKING:
    from datetime import datetime

# Longer than a long weekend; our own.
FORGOTTEN_AFTER = timedelta(days=4)
MOST_AT_ONCE = 40
"""So many a run, as each has a booking for every phase of the open work."""


def forget_old_drafts(*, now: datetime) -> int:
    """
    Delete drafts of more than four days ago, the oldest first, and return how many went.

    That is each plan that was never published, whether a newer one has taken its place or not. The
    draft that waits stays, and so does each that a proposal shows, a slip counts from, or a
    forecast is of: those are the record. What was published, now or once, is never touched.
    """
    waits = plans.latest_draft()
    old = Plan.objects.filter(
        published_at=None,
        made_at__lt=now - FORGOTTEN_AFTER,
        proposals=None,
        slips=None,
        slip_steps=None,
        known_facts=None,
        forecasts=None,
    )
    if waits is not None:
        old = old.exclude(pk=waits.pk)
    going = list(old.order_by("made_at", "pk").values_list("pk", flat=True)[:MOST_AT_ONCE])
    # Again by what it is: one may have been published or proposed since.
    Plan.objects.filter(pk__in=going, published_at=None, proposals=None).delete()
    return len(going)
