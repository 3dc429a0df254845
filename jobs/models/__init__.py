"""Rows of jobs and plans."""

from jobs.models.change import Change
from jobs.models.delivery import Delivery, DeliveryReport, LeadTime
from jobs.models.job import Job, LaborRate, LeanTo, Opening, Phase
from jobs.models.plan import Booking, Heartbeat, Plan, PlannedWait, PlanRequest
from jobs.models.report import FieldReport, ReportPhoto

__all__ = [
    "Booking",
    "Change",
    "Delivery",
    "DeliveryReport",
    "FieldReport",
    "Heartbeat",
    "Job",
    "LaborRate",
    "LeadTime",
    "LeanTo",
    "Opening",
    "Phase",
    "Plan",
    "PlanRequest",
    "PlannedWait",
    "ReportPhoto",
]
