"""App of jobs, plans and bookings."""

from django.apps import AppConfig


class JobsConfig(AppConfig):
    """Jobs."""

    name = "jobs"
