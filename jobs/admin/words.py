"""Rows in a few words, for list columns and reports."""

from __future__ import annotations

from datetime import date, datetime

from django.utils import timezone

from jobs.models import Booking, Job

SHORT_FOUNDATION = {
    Job.Foundation.POURED_PIER: "poured",
    Job.Foundation.PRECAST_PIER: "precast",
    Job.Foundation.SLAB_BRACKET: "slab",
}


def building_words(job: Job) -> str:
    """Return a job's building in words, such as "Shop 40×60×12, precast"."""
    sizes = f"{job.width_ft:g}×{job.length_ft:g}×{job.eave_ft:g}"
    addition = ", addition" if job.extends_existing else ""
    return f"{job.get_use_display()} {sizes}, {SHORT_FOUNDATION[job.foundation]}{addition}"


def lateness_words(planned_on: date | None, promised_on: date | None) -> str:
    """Return how a planned finish stands to the promise, in calendar days."""
    if promised_on is None:
        return "no promise"
    if planned_on is None:
        return "not planned"
    days = (planned_on - promised_on).days
    if days == 0:
        return "on the day"
    return f"{count(abs(days), 'day')} {'late' if days > 0 else 'early'}"


def count(number: int, noun: str) -> str:
    """Return a number with its noun, plural unless it is 1."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def day(moment: date | None) -> str:
    """Return a day at the site, such as "Mon Jun 1", with the year if it is another."""
    if moment is None:
        return "–"
    local = timezone.localtime(moment) if isinstance(moment, datetime) else moment
    year = f", {local.year}" if local.year != timezone.localdate().year else ""
    return f"{local:%a %b} {local.day}{year}"


def short_day(moment: date | None) -> str:
    """Return a day at the site for narrow columns, such as "Jun 1" or "Jan 4 ’27"."""
    if moment is None:
        return "–"
    local = timezone.localtime(moment) if isinstance(moment, datetime) else moment
    year = f" ’{local:%y}" if local.year != timezone.localdate().year else ""
    return f"{local:%b} {local.day}{year}"


def span(starts_at: datetime | None, ends_at: datetime | None) -> str:
    """Return from–to at the site, with times where it is within one day."""
    if starts_at is None or ends_at is None:
        return "–"
    first, last = timezone.localtime(starts_at), timezone.localtime(ends_at)
    if first.date() == last.date():
        return f"{day(starts_at)}, {first:%H:%M}–{last:%H:%M}"
    return f"{day(starts_at)} {first:%H:%M} – {day(ends_at)} {last:%H:%M}"


def local_date(moment: datetime | None) -> date | None:
    """Return the day at the site, or nothing for nothing."""
    return None if moment is None else timezone.localtime(moment).date()


def who(booking: Booking) -> str:
    """Return who comes: the crew, or that none of ours does."""
    return "no crew of ours" if booking.crew is None else booking.crew.name
