"""What the crews' calendars show, and whose link opens which."""

import hashlib
from datetime import date, datetime, time, timedelta

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


# Written out, since most fetches end here and making the statement costs ten times its answer.
_OPEN_LINK = """
SELECT link.*, COALESCE(crew.feed_revised_at, calendar.feed_revised_at) AS stamp
FROM crews_feedsubscription link
LEFT JOIN crews_crew crew ON crew.id = link.crew_id
LEFT JOIN crews_feedcalendar calendar ON calendar.id = link.calendar_id
WHERE link.token_hash = %s AND link.revoked_at IS NULL
"""


def open_link(token: str) -> tuple[FeedSubscription, str] | None:
    """
    Return the subscription that the token opens and the stamp of its calendar, "" for none yet.

    As `subscription_for`, but with nothing of the calendar loaded; the stamp is only good for
    telling whether the calendar is still the same.
    """
    for link in FeedSubscription.objects.raw(_OPEN_LINK, [token_hash(token)]):
        stamp = getattr(link, "stamp", None)
        return link, "" if stamp is None else str(stamp)
    return None


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
