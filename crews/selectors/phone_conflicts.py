"""What the office has changed since a phone showed a phase, told to whoever reports on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.utils import timezone

from jobs.models import Booking, Job, Phase

if TYPE_CHECKING:
    from datetime import datetime

    from crews.models import Crew


def changed_since(phase: Phase, *, crew: Crew, seen_starts_at: datetime | None) -> list[str]:
    """
    Return in words what is otherwise than the phone showed it; empty where nothing is.

    `seen_starts_at` is the published start on the page that was reported from; None where the page
    had none to compare with. `phase` has its job loaded, and stands as before the report.
    """
    words = []
    if phase.job.status != Job.Status.SIGNED:
        words.append(f"The job is {phase.job.get_status_display().lower()}. Call the office.")
    if phase.status == Phase.Status.DROPPED:
        words.append("The office has left this work out of the building.")
    elif seen_starts_at is not None:
        words += _moved(phase, crew, seen_starts_at)
    return words


def standing_words(phase: Phase) -> str:
    """Return where a phase stands, like "Under way, 50 % done"."""
    words = phase.get_status_display()
    if phase.stopped_by:
        words = f"Stopped, {phase.get_stopped_by_display().lower()}"
    is_begun = phase.status == Phase.Status.UNDER_WAY
    return f"{words}, {phase.share_done:.0%} done" if is_begun and phase.share_done else words


def _moved(phase: Phase, crew: Crew, seen_starts_at: datetime) -> list[str]:
    booking = Booking.objects.filter(phase=phase, is_live=True).select_related("crew").first()
    if booking is None:
        return ["The published plan has no day for this work any more."]
    day = _moment(booking.starts_at)
    if booking.crew is not None and booking.crew_id != crew.pk:
        return [f"The office has given this work to {booking.crew}, {day}."]
    if booking.starts_at != seen_starts_at:
        return [f"The office has moved this work from {_moment(seen_starts_at)} to {day}."]
    return []


def _moment(at: datetime) -> str:
    return f"{timezone.localtime(at):%a %b %-d, %H:%M}"
