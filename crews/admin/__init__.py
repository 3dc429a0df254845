"""The office's pages of the firm, its crews, machines, days off and calendar links."""

from crews.admin.crew import CrewAdmin, DayOffAdmin, EquipmentAdmin
from crews.admin.feed import FeedSubscriptionAdmin
from crews.admin.firm import FirmAdmin, WorkHoursAdmin

__all__ = [
    "CrewAdmin",
    "DayOffAdmin",
    "EquipmentAdmin",
    "FeedSubscriptionAdmin",
    "FirmAdmin",
    "WorkHoursAdmin",
]
