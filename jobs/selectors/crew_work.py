"""Which phases are a crew's work, and what was told of their jobs on earlier days."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.db.models import Exists, OuterRef, Q
from django.utils import timezone

from jobs.models import Booking, Phase, ReportPhoto
from jobs.selectors.booked import with_rows
from jobs.selectors.crew_rows import Told
from jobs.selectors.reports import OFFICE, reports, shown

if TYPE_CHECKING:
    from datetime import datetime

    from django.db.models import QuerySet

    from crews.models import Crew
    from jobs.models import FieldReport, Job

OPEN = (Phase.Status.OPEN, Phase.Status.UNDER_WAY)
BEGUN = (Phase.Status.UNDER_WAY, Phase.Status.DONE)
# The newest that a page about one phase shows.
MOST_NOTES, MOST_PHOTOS = 20, 12


def told_before(job: Job) -> Told:
    """Return the notes and photos of a job that stand, whoever made them."""
    standing = standing_reports(job)
    photos = [photo for report in standing for photo in report.photos.all()]
    notes = [report for report in standing if report.note]
    return Told(notes[:MOST_NOTES], photos[:MOST_PHOTOS])


def standing_reports(job: Job) -> list[FieldReport]:
    """Return the reports of a job that were not taken back, their photos loaded, newest first."""
    rows = list(reports(OFFICE).filter(phase__job=job))
    return [row.report for row in shown(rows, rows) if row.counts is not None]


def photo_of_crew(*, crew: Crew, photo_id: int) -> ReportPhoto | None:
    """Return a photo of a site on which the crew works or has worked; None for any other."""
    photo = ReportPhoto.objects.select_related("report__phase").filter(pk=photo_id).first()
    if photo is None:
        return None
    job_id = photo.report.phase.job_id
    booked = Booking.objects.filter(phase__job=job_id, crew=crew, is_live=True)
    worked = Phase.objects.filter(job=job_id, crew=crew)
    return photo if booked.exists() or worked.exists() else None


@dataclass(frozen=True, slots=True)
class Work:
    """A phase of the crew, with the published booking where there is one."""

    phase: Phase
    booking: Booking | None

    @property
    def starts_at(self) -> datetime | None:
        """Return when it began, else when it is published to."""
        return self.phase.started_at or (self.booking.starts_at if self.booking else None)

    @property
    def ends_at(self) -> datetime | None:
        """Return when it was done, else when it is published to end."""
        return self.phase.done_at or (self.booking.ends_at if self.booking else None)


def work_of_days(crew: Crew, *, now: datetime, until: datetime) -> list[Work]:
    """Return what is published for the crew to begin by then, what it is at, and did today."""
    midnight = timezone.localtime(now).replace(hour=0, minute=0, second=0, microsecond=0)
    counts = Q(phase__status__in=OPEN) | Q(phase__done_at__gte=midnight)
    booked = _booked(crew).filter(counts, starts_at__lt=until)
    own = Q(status=Phase.Status.UNDER_WAY) | Q(status=Phase.Status.DONE, done_at__gte=midnight)
    return _works(booked, _not_booked(crew).filter(own))


def work_of_phase(crew: Crew, *, phase_id: int) -> Work | None:
    """Return a phase that is published for the crew, or that it is at or has done; else None."""
    booked = _booked(crew).filter(phase=phase_id)
    own = _not_booked(crew).filter(pk=phase_id, status__in=BEGUN)
    return next(iter(_works(booked, own)), None)


def _booked(crew: Crew) -> QuerySet[Booking]:
    rows = Booking.objects.filter(is_live=True, crew=crew).prefetch_related("equipment")
    return rows.exclude(phase__status=Phase.Status.DROPPED).order_by("starts_at", "id")


def _not_booked(crew: Crew) -> QuerySet[Phase]:
    """Return phases that name the crew and are published for nobody: what is, is of whom it is."""
    published = Booking.objects.filter(is_live=True, phase=OuterRef("pk"))
    rows = Phase.objects.filter(~Exists(published), crew=crew)
    return rows.select_related("job").order_by("started_at", "id")


def _works(booked: QuerySet[Booking], own: QuerySet[Phase]) -> list[Work]:
    works = [Work(row.phase, row) for row in with_rows(booked)]
    return works + [Work(phase, None) for phase in own]
