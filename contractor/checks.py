"""System checks: wrong combinations of settings are told at start, not met at run time."""

from typing import Any

from django.conf import settings
from django.core.checks import CheckMessage, Error, register


@register()
def times_are_aware(app_configs: Any, **kwargs: Any) -> list[CheckMessage]:
    """Refuse naive datetimes: every date of the plan depends on the site's zone."""
    if settings.USE_TZ and settings.TIME_ZONE != "UTC":
        return []
    return [
        Error(
            f"TIME_ZONE is {settings.TIME_ZONE!r} and USE_TZ is {settings.USE_TZ}.",
            hint="Set SITE_ZONE to the zone of the building sites, for example America/New_York.",
            id="contractor.E001",
        )
    ]


@register()
def tasks_end_before_redelivery(app_configs: Any, **kwargs: Any) -> list[CheckMessage]:
    """Refuse a task limit above the broker's redelivery time: the task would run twice at once."""
    visible_for = settings.CELERY_BROKER_TRANSPORT_OPTIONS.get("visibility_timeout", 3600)
    if visible_for > settings.CELERY_TASK_TIME_LIMIT:
        return []
    return [
        Error(
            f"CELERY_TASK_TIME_LIMIT {settings.CELERY_TASK_TIME_LIMIT} s is not below the "
            f"broker's visibility timeout {visible_for} s.",
            hint="Lower the task limit or raise the visibility timeout.",
            id="contractor.E002",
        )
    ]
