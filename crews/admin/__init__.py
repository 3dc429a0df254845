"""The office's pages of the firm, its crews, machines, days off, phones and calendar links."""

from crews.admin.crew import CrewAdmin, DayOffAdmin, EquipmentAdmin
from crews.admin.feed import FeedSubscriptionAdmin
from crews.admin.firm import FirmAdmin, WorkHoursAdmin
from crews.admin.phone import PhoneAdmin

__all__ = [
    "CrewAdmin",
    "DayOffAdmin",
    "EquipmentAdmin",
    "FeedSubscriptionAdmin",
    "FirmAdmin",
    "PhoneAdmin",
    "WorkHoursAdmin",
]
