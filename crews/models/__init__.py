"""Rows of the firm, its crews and machines, and what their calendars read."""

from crews.models.crew import RAINED_OFF, Crew, DayOff, Equipment, HolidayYear
from crews.models.feed import FeedCalendar, FeedEvent, FeedSubscription
from crews.models.firm import (
    FARTHEST_AHEAD,
    NOT_TOO_FAR,
    STATE_CODE,
    WEEKDAYS,
    Firm,
    WorkHours,
    farthest_day,
    validate_month_temperatures,
    validate_shifts,
)
from crews.models.phone import Phone

__all__ = [
    "FARTHEST_AHEAD",
    "NOT_TOO_FAR",
    "RAINED_OFF",
    "STATE_CODE",
    "WEEKDAYS",
    "Crew",
    "DayOff",
    "Equipment",
    "FeedCalendar",
    "FeedEvent",
    "FeedSubscription",
    "Firm",
    "HolidayYear",
    "Phone",
    "WorkHours",
    "farthest_day",
    "validate_month_temperatures",
    "validate_shifts",
]
