"""Rows of authorities and of what a job must have from them before work goes on."""

from inspections.models.authority import (
    WEEKDAY_NAMES,
    Authority,
    AuthorityClosure,
    validate_weekdays,
)
from inspections.models.locate import LocateTicket
from inspections.models.permit import Permit
from inspections.models.visit import Inspection

__all__ = [
    "WEEKDAY_NAMES",
    "Authority",
    "AuthorityClosure",
    "Inspection",
    "LocateTicket",
    "Permit",
    "validate_weekdays",
]
