"""The office's pages of authorities, permits, locate tickets and inspections."""

from inspections.admin.authority import AuthorityAdmin
from inspections.admin.locate import LocateRuleAdmin, LocateTicketAdmin
from inspections.admin.permit import PermitAdmin
from inspections.admin.pours import PourAdmin, StrengthNeedAdmin
from inspections.admin.site import SiteShotAdmin
from inspections.admin.visit import InspectionAdmin
from inspections.admin.weather import WeatherAreaAdmin, WeatherLimitAdmin

__all__ = [
    "AuthorityAdmin",
    "InspectionAdmin",
    "LocateRuleAdmin",
    "LocateTicketAdmin",
    "PermitAdmin",
    "PourAdmin",
    "SiteShotAdmin",
    "StrengthNeedAdmin",
    "WeatherAreaAdmin",
    "WeatherLimitAdmin",
]
