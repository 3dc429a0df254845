"""App of crews, machines and their calendars."""

from django.apps import AppConfig


class CrewsConfig(AppConfig):
    """Crews."""

    name = "crews"
