"""Rows of jobs and plans."""

from jobs.models.board import BoardMove, LentPeople, SetAside
from jobs.models.buyer_link import BuyerLink
from jobs.models.callback import Callback
from jobs.models.change import Change
from jobs.models.checked_file import CheckedFile
from jobs.models.delivery import Delivery, DeliveryReport, LeadTime
from jobs.models.forecast import (
    Forecast,
    ForecastChunk,
    JobForecast,
    LeftOutWork,
    PhaseForecast,
)
from jobs.models.job import Job, LaborRate, LeanTo, Opening, Phase
from jobs.models.notice import Notice, TaskRequest
from jobs.models.plan import Booking, Heartbeat, Plan, PlannedWait, PlanRequest
from jobs.models.report import FieldReport, ReportPhoto
from jobs.models.sign_in import ApiToken, FailedSignIn
from jobs.models.slip import KnownFacts, ReplanProposal, Slip, SlipStep

__all__ = [
    "ApiToken",
    "BoardMove",
    "Booking",
    "BuyerLink",
    "Callback",
    "Change",
    "CheckedFile",
    "Delivery",
    "DeliveryReport",
    "FailedSignIn",
    "FieldReport",
    "Forecast",
    "ForecastChunk",
    "Heartbeat",
    "Job",
    "JobForecast",
    "KnownFacts",
    "LaborRate",
    "LeadTime",
    "LeanTo",
    "LeftOutWork",
    "LentPeople",
    "Notice",
    "Opening",
    "Phase",
    "PhaseForecast",
    "Plan",
    "PlanRequest",
    "PlannedWait",
    "ReplanProposal",
    "ReportPhoto",
    "SetAside",
    "Slip",
    "SlipStep",
    "TaskRequest",
]
