"""Rows of authorities and of what a job must have from them before work goes on."""

from inspections.models.authority import (
    WEEKDAY_NAMES,
    Authority,
    AuthorityClosure,
    InspectionRule,
    validate_weekdays,
)
from inspections.models.locate import LocateRule, LocateTicket, TicketResponse
from inspections.models.permit import Permit
from inspections.models.pour import (
    POURED_PHASES,
    Pour,
    PourReading,
    StrengthNeed,
)
from inspections.models.site import SiteReadiness, SiteShot
from inspections.models.visit import Inspection, InspectionEvent
from inspections.models.weather import WeatherArea, WeatherHour, WeatherLimit

__all__ = [
    "POURED_PHASES",
    "WEEKDAY_NAMES",
    "Authority",
    "AuthorityClosure",
    "Inspection",
    "InspectionEvent",
    "InspectionRule",
    "LocateRule",
    "LocateTicket",
    "Permit",
    "Pour",
    "PourReading",
    "SiteReadiness",
    "SiteShot",
    "StrengthNeed",
    "TicketResponse",
    "WeatherArea",
    "WeatherHour",
    "WeatherLimit",
    "validate_weekdays",
]
