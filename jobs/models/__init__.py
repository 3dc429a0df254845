"""Rows of jobs and plans."""

from jobs.models.job import Delivery, Job, LaborRate, LeanTo, Opening, Phase
from jobs.models.plan import Booking, Heartbeat, Plan, PlannedWait, PlanRequest

__all__ = [
    "Booking",
    "Delivery",
    "Heartbeat",
    "Job",
    "LaborRate",
    "LeanTo",
    "Opening",
    "Phase",
    "Plan",
    "PlanRequest",
    "PlannedWait",
]
