"""A firm of a size for programs that measure: jobs like the tests', crews with leads."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.utils import timezone


def build_firm(*, jobs: int = 12, crews: int = 4, now: datetime) -> None:
    """Enter so many jobs and crews; every fifth buyer is told, every job has its material."""
    from django.contrib.auth.models import Group, User

    from contractor import roles
    from crews.models import Crew
    from jobs.models import Delivery, Job
    from jobs.services.intake import refresh_phases
    from tests.factories import (
        AuthorityFactory,
        CrewFactory,
        EquipmentFactory,
        FirmFactory,
        JobFactory,
        PermitFactory,
        WorkHoursFactory,
    )

    FirmFactory()
    roles.ensure_groups()
    week = WorkHoursFactory()
    for number in range(max(1, crews // 4)):
        EquipmentFactory(name=f"Auger rig {number}", kind="AUGER")
        EquipmentFactory(name=f"Telehandler {number}", kind="TELEHANDLER")
    for number in range(crews):
        lead = User.objects.create(username=f"lead{number}", email=f"lead{number}@firm.example")
        CrewFactory(lead=lead, work_hours=week)
    for name, role in (("ann", roles.OFFICE), ("ole", roles.OWNER)):
        user = User.objects.create(username=name, email=f"{name}@firm.example")
        user.groups.add(Group.objects.get(name=role))
    authority = AuthorityFactory()
    today = timezone.localdate(now)
    for number in range(jobs):
        job = JobFactory(
            number=f"26-{number:04d}",
            sold_on=today - timedelta(days=60),
            promised_on=today + timedelta(days=30 + 10 * number // max(1, crews)),
            tells_buyer=number % 5 == 0,
            buyer_email=f"buyer{number}@home.example",
            length_ft=40 + 8 * (number % 4),
        )
        PermitFactory(job=job, authority=authority, issued_on=today - timedelta(days=7))
        refresh_phases(job=job)
    Delivery.objects.update(arrived_on=today - timedelta(days=3))
    assert (Job.objects.count(), Crew.objects.count()) == (jobs, crews)
