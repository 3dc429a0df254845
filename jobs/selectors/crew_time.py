"""What takes crews' time beside the phases of jobs: days off, people lent, time set aside."""

from __future__ import annotations

from datetime import datetime, time
from typing import TYPE_CHECKING

from django.utils import timezone

from crews.models import DayOff
from jobs.models import LentPeople, SetAside

if TYPE_CHECKING:
    from datetime import date

    from django.db.models import QuerySet


def days_off(*, since: date) -> QuerySet[DayOff]:
    """Return days off that are not over before a day, in order."""
    rows = DayOff.objects.filter(last_day__gte=since).select_related("crew", "equipment")
    return rows.order_by("first_day", "id")


def lent_people(*, since: date) -> QuerySet[LentPeople]:
    """Return lends that are not over before a day, in order."""
    rows = LentPeople.objects.filter(last_day__gte=since).select_related("from_crew", "to_crew")
    return rows.order_by("first_day", "id")


def set_aside(*, since: date) -> QuerySet[SetAside]:
    """Return time set aside that is not over before a day, in order."""
    midnight = datetime.combine(since, time(), tzinfo=timezone.get_default_timezone())
    rows = SetAside.objects.filter(ends_at__gt=midnight).select_related("crew", "job")
    return rows.order_by("starts_at", "id")
