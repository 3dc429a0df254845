"""
Why work stops, starts late or misses its day: one short list for reports, slips and notices.

The list is the trade's usual reasons for plan failure (Last Planner: Ballard, The Last Planner
System of Production Control, 2000, from memory), cut to what a crew lead can tell apart on site.
"""

from contractor.trade.labeled import Labeled


class Cause(Labeled):
    """What kept work from going on as planned."""

    WEATHER = "WEATHER"
    INSPECTION = "INSPECTION"
    MATERIAL = "MATERIAL"
    CREW = "CREW"
    EQUIPMENT = "EQUIPMENT"
    SITE_NOT_READY = "SITE_NOT_READY"
    BUYERS_CHANGE = "BUYERS_CHANGE"
    REWORK = "REWORK"
    ESTIMATE = "ESTIMATE"
    KNOCK_ON = "KNOCK_ON"


TOLD_BY_PEOPLE = tuple(cause for cause in Cause if cause is not Cause.KNOCK_ON)
"""The causes that a report may name; that other work was late first is found, never told."""
