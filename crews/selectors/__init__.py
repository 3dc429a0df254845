"""What is read about the firm, its crews and their calendars."""

from crews.selectors.feeds import (
    LOOK_BACK,
    OpenLink,
    calendar_of,
    calendars_with_readers,
    feed_events,
    open_link,
    subscription_for,
    token_hash,
)
from crews.selectors.firm import NoFirm, crews_with_readers, equipment_with_days_off, firm

__all__ = [
    "LOOK_BACK",
    "NoFirm",
    "OpenLink",
    "calendar_of",
    "calendars_with_readers",
    "crews_with_readers",
    "equipment_with_days_off",
    "feed_events",
    "firm",
    "open_link",
    "subscription_for",
    "token_hash",
]
