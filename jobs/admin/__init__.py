"""The office's pages of jobs, plans and rates, in the stock admin."""

from jobs.admin.call_ahead import DeliveryAdmin, LeadTimeAdmin
from jobs.admin.callback import CallbackAdmin
from jobs.admin.job import JobAdmin
from jobs.admin.notice import NoticeAdmin, TaskRequestAdmin
from jobs.admin.phase import PhaseAdmin
from jobs.admin.plan import PlanAdmin
from jobs.admin.plan_request import PlanRequestAdmin
from jobs.admin.proposal import ReplanProposalAdmin
from jobs.admin.rate import LaborRateAdmin
from jobs.admin.report import FieldReportAdmin
from jobs.admin.slip import SlipAdmin

__all__ = [
    "CallbackAdmin",
    "DeliveryAdmin",
    "FieldReportAdmin",
    "JobAdmin",
    "LaborRateAdmin",
    "LeadTimeAdmin",
    "NoticeAdmin",
    "PhaseAdmin",
    "PlanAdmin",
    "PlanRequestAdmin",
    "ReplanProposalAdmin",
    "SlipAdmin",
    "TaskRequestAdmin",
]
