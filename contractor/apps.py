"""The project's own app: what is set up once when Django starts."""

from typing import Any

from django.apps import AppConfig
from django.db.models.signals import post_migrate


class ContractorConfig(AppConfig):
    """Load the Celery app, the system checks and the guarded sign-in; keep the roles right."""

    name = "contractor"
    verbose_name = "Girtline"

    def ready(self) -> None:
        """Bind shared tasks to our Celery app; `contractor/__init__.py` stays empty."""
        from django.contrib import admin
        from django.contrib.auth.signals import user_logged_in, user_logged_out

        from contractor import celery, checks, request_id_of_tasks  # noqa: F401
        from contractor.sign_in import SignInForm, log_signed_in, log_signed_out

        admin.site.login_form = SignInForm
        user_logged_in.connect(log_signed_in, dispatch_uid="contractor.sign_in")
        user_logged_out.connect(log_signed_out, dispatch_uid="contractor.sign_in")
        post_migrate.connect(_put_roles_right, dispatch_uid="contractor.roles")


def _put_roles_right(app_config: AppConfig, using: str, **_given: Any) -> None:
    """Write the roles once the last app's permissions are there: at every `migrate`."""
    from contractor import roles

    if app_config.label == roles.OFFICE_APPS[-1] and using == "default":
        roles.ensure_groups()
