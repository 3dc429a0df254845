"""The office's pages of jobs, plans and rates, in the stock admin."""

from jobs.admin.call_ahead import DeliveryAdmin, LeadTimeAdmin
from jobs.admin.job import JobAdmin
from jobs.admin.phase import PhaseAdmin
from jobs.admin.plan import PlanAdmin
from jobs.admin.plan_request import PlanRequestAdmin
from jobs.admin.rate import LaborRateAdmin
from jobs.admin.report import FieldReportAdmin

__all__ = [
    "DeliveryAdmin",
    "FieldReportAdmin",
    "JobAdmin",
    "LaborRateAdmin",
    "LeadTimeAdmin",
    "PhaseAdmin",
    "PlanAdmin",
    "PlanRequestAdmin",
]
