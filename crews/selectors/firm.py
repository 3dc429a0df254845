"""The firm, its crews and machines, as the office asks about them."""

from datetime import date, datetime

from django.db.models import Count, Max, OuterRef, Q, QuerySet, Subquery
from django.utils import timezone

from crews.models import Crew, DayOff, Equipment, FeedEvent, Firm


class NoFirm(Exception):  # noqa: N818 - the answer to a question, with its remedy
    """Raised when the firm's row has not been written."""


def firm() -> Firm:
    """
    Return the firm.

    Raises
    ------
    NoFirm
        If there is none yet; the message says what to do.
    """
    found = Firm.objects.order_by("pk").first()
    if found is None:
        raise NoFirm("No firm is entered. Add one under Crews, Firm, or load a firm.csv.")
    return found


def crews_with_readers(*, now: datetime) -> QuerySet[Crew]:
    """
    Return all crews with what the office asks about them, in one query.

    Each has `readers` (links that open), `last_fetched_at`, `next_day_off` (first day of the
    next or running one, the firm's days included), and `next_work_at` and `next_work` (the
    published stretch that is running or comes next).
    """
    today = timezone.localdate(now, timezone.get_default_timezone())
    opens = Q(subscriptions__revoked_at=None, subscriptions__isnull=False)
    work = FeedEvent.objects.filter(
        crew=OuterRef("pk"), source__startswith="phase:", is_dropped=False, ends_at__gt=now
    ).order_by("starts_at", "id")
    everyone = Q(crew=None, equipment=None)
    days_off = _days_off_from(today).filter(Q(crew=OuterRef("pk")) | everyone)
    return Crew.objects.select_related("work_hours", "lead").annotate(
        readers=Count("subscriptions", filter=opens),
        last_fetched_at=Max("subscriptions__last_fetched_at", filter=opens),
        next_day_off=Subquery(days_off.values("first_day")[:1]),
        next_work_at=Subquery(work.values("starts_at")[:1]),
        next_work=Subquery(work.values("summary")[:1]),
    )


def equipment_with_days_off(*, now: datetime) -> QuerySet[Equipment]:
    """Return all machines, each with `next_day_off`: when it is next, or still, out of service."""
    today = timezone.localdate(now, timezone.get_default_timezone())
    days_off = _days_off_from(today).filter(equipment=OuterRef("pk"))
    return Equipment.objects.annotate(next_day_off=Subquery(days_off.values("first_day")[:1]))


def _days_off_from(today: date) -> QuerySet[DayOff]:
    """Return the days off that are running or to come, soonest first."""
    return DayOff.objects.filter(last_day__gte=today).order_by("first_day", "id")
