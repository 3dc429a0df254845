"""Rows of jobs and plans."""

from jobs.models.change import Change
from jobs.models.job import Delivery, Job, LaborRate, LeanTo, Opening, Phase
from jobs.models.plan import Booking, Heartbeat, Plan, PlannedWait, PlanRequest
from jobs.models.report import FieldReport, ReportPhoto

__all__ = [
    "Booking",
    "Change",
    "Delivery",
    "FieldReport",
    "Heartbeat",
    "Job",
    "LaborRate",
    "LeanTo",
    "Opening",
    "Phase",
    "Plan",
    "PlanRequest",
    "PlannedWait",
    "ReportPhoto",
]
