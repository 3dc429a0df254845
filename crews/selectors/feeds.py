"""What the crews' calendars show, and whose link opens which."""

import hashlib
from datetime import UTC, date, datetime, time, timedelta
from typing import NamedTuple

from django.db import connection
from django.db.models import Exists, OuterRef, QuerySet
from django.utils import timezone

from crews.models import Crew, FeedCalendar, FeedEvent, FeedSubscription

LOOK_BACK = timedelta(days=60)


def token_hash(token: str) -> str:
    """Return what is stored of a feed's token."""
    return hashlib.sha256(token.encode()).hexdigest()


def subscription_for(token: str) -> FeedSubscription | None:
    """
    Return the subscription that the token opens, its calendar loaded; None if it opens nothing.

    Unknown and revoked look alike. The look-up is by hash, so its time tells nothing about
    tokens that are nearly right.
    """
    return (
        FeedSubscription.objects.select_related("crew", "calendar")
        .filter(token_hash=token_hash(token), revoked_at=None)
        .first()
    )


class OpenLink(NamedTuple):
    """
    What a fetch needs to know of a link that opens.

    `stamp` is "" for a calendar that was never written; it is only good for telling whether the
    calendar is still the same.
    """

    pk: int
    token_hash: str
    last_fetched_at: datetime | None
    stamp: str


# Written out and read plain, since most fetches end here, and making the statement and the row's
# object costs ten times its answer.
_OPEN_LINK = """
SELECT link.id, link.last_fetched_at, COALESCE(crew.feed_revised_at, calendar.feed_revised_at)
FROM crews_feedsubscription link
LEFT JOIN crews_crew crew ON crew.id = link.crew_id
LEFT JOIN crews_feedcalendar calendar ON calendar.id = link.calendar_id
WHERE link.token_hash = %s AND link.revoked_at IS NULL
"""


def open_link(token: str) -> OpenLink | None:
    """Return what the token opens, as `subscription_for`, but with nothing of it loaded."""
    hashed = token_hash(token)
    with connection.cursor() as cursor:
        cursor.execute(_OPEN_LINK, [hashed])
        row = cursor.fetchone()
    if row is None:
        return None
    pk, fetched_at, stamp = row
    if fetched_at is not None and fetched_at.tzinfo is None:
        fetched_at = fetched_at.replace(tzinfo=UTC)  # SQLite keeps it in UTC, and says no zone
    return OpenLink(pk, hashed, fetched_at, "" if stamp is None else str(stamp))


def calendar_of(link: OpenLink) -> Crew | FeedCalendar:
    """Return what a link shows."""
    return FeedSubscription.objects.select_related("crew", "calendar").get(pk=link.pk).shows


def feed_events(shown: Crew | FeedCalendar, today: date) -> QuerySet[FeedEvent]:
    """
    Return what a crew's or another calendar shows: all that is planned, and the last 60 days.

    `today` is the site's day. In the order in which the events were first written, which no
    move changes.
    """
    midnight = datetime.combine(today - LOOK_BACK, time(), timezone.get_default_timezone())
    return shown.feed_events.filter(is_dropped=False, ends_at__gt=midnight).order_by("id")


def calendars_with_readers() -> QuerySet[FeedCalendar]:
    """Return the calendars beside the crews' that somebody's link opens."""
    open_links = FeedSubscription.objects.filter(revoked_at=None, calendar=OuterRef("pk"))
    return FeedCalendar.objects.filter(Exists(open_links)).order_by("id")
