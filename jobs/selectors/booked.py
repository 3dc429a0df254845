"""Bookings with the rows they stand on, each of these read once however many bookings name it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crews.models import Crew
from jobs.models import Job, Phase

if TYPE_CHECKING:
    from django.db.models import QuerySet

    from jobs.models import Booking


def with_rows(bookings: QuerySet[Booking]) -> list[Booking]:
    """
    Return bookings with phase, job and crew, in three queries more.

    A join would make a row of a job, which is wide, for each of its bookings.
    """
    found = list(bookings)
    jobs = {job.pk: job for job in Job.objects.filter(pk__in=bookings.values("phase__job"))}
    crews = {crew.pk: crew for crew in Crew.objects.filter(pk__in=bookings.values("crew"))}
    phases = {}
    rows = Phase.objects.filter(pk__in=bookings.values("phase")).defer("labor_arithmetic")
    for phase in rows:
        phase.job = jobs[phase.job_id]
        phases[phase.pk] = phase
    for row in found:
        row.phase = phases[row.phase_id]
        row.crew = crews.get(row.crew_id) if row.crew_id else None
    return found
