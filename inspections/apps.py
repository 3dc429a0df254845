"""App of authorities, permits, locate tickets and inspections."""

from django.apps import AppConfig


class InspectionsConfig(AppConfig):
    """Inspections."""

    name = "inspections"
