"""The project's own app: it starts Celery when Django starts."""

from django.apps import AppConfig


class ContractorConfig(AppConfig):
    """Load the Celery app and the system checks."""

    name = "contractor"
    verbose_name = "Girtline"

    def ready(self) -> None:
        """Bind shared tasks to our Celery app; `contractor/__init__.py` stays empty."""
        from contractor import celery, checks  # noqa: F401
