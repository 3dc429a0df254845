"""What changes the crews' calendars, the links to them, and public holidays."""

from crews.services.feed_events import (
    FeedChange,
    FeedEntry,
    replace_feed_events,
    tell_new_name,
)
from crews.services.feed_links import (
    LinkClosedError,
    feed_url,
    record_fetch,
    replace_link,
    revoke,
    subscribe,
)
from crews.services.holidays import ensure_public_holidays

__all__ = [
    "FeedChange",
    "FeedEntry",
    "LinkClosedError",
    "ensure_public_holidays",
    "feed_url",
    "record_fetch",
    "replace_feed_events",
    "replace_link",
    "revoke",
    "subscribe",
    "tell_new_name",
]
