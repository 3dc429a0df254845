"""A small firm with open work, for tests that plan."""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from crews.models import Crew, DayOff
from jobs.models import Booking, Delivery, Job, Plan
from jobs.services.intake import refresh_phases
from tests.factories import (
    AuthorityFactory,
    CrewFactory,
    EquipmentFactory,
    FirmFactory,
    JobFactory,
    LocateTicketFactory,
    PermitFactory,
)

ZONE = ZoneInfo("America/New_York")
MONDAY = datetime(2026, 6, 1, 6, 0, tzinfo=ZONE)


def make_firm(*, crews: int = 2) -> Sequence[Crew]:
    """Return the crews of a firm with one auger rig and one telehandler."""
    FirmFactory()
    EquipmentFactory(name="Auger rig 1", kind="AUGER")
    EquipmentFactory(name="Telehandler 1", kind="TELEHANDLER")
    return [CrewFactory() for _ in range(crews)]


def next_working_day(day: date) -> date:
    """Return the first day from this one on that is no weekend and no holiday of the firm."""
    off = DayOff.objects.filter(crew=None, equipment=None)
    while day.weekday() > 4 or off.filter(first_day__lte=day, last_day__gte=day).exists():
        day += timedelta(days=1)
    return day


def cover_digging(job: Job) -> None:
    """Give the job a locate ticket that is live all through June."""
    LocateTicketFactory(
        job=job,
        called_on=date(2026, 5, 28),
        dig_from=date(2026, 6, 1),
        expires_on=date(2026, 6, 30),
    )


def promise_all(plan: Plan, *, days: int) -> None:
    """Promise each job so many days after its last booking in a plan."""
    for job in Job.objects.all():
        last = Booking.objects.filter(plan=plan, phase__job=job).latest("ends_at")
        job.promised_on = last.ends_at.date() + timedelta(days=days)
        job.save()


def make_job(*, material_is_there: bool = True, authority: Any = None, **columns: Any) -> Job:
    """Return a job with its permit in hand and its phases written."""
    job = JobFactory(**columns)
    PermitFactory(job=job, authority=authority or AuthorityFactory())
    refresh_phases(job=job)
    if material_is_there:
        Delivery.objects.filter(job=job).update(arrived_on=date(2026, 5, 29))
    return Job.objects.get(pk=job.pk)
