"""What crews' calendars show of what the board sets: time that is set aside, and people lent."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING

from django.utils import timezone

from crews.services import FeedEntry
from jobs.models import LentPeople, SetAside

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

# So long after it is over it stays in calendars, like work; our own.
STAYS_FOR = timedelta(days=60)


def board_entries(now: datetime) -> Iterator[FeedEntry]:
    """Yield what the crews' calendars show beside their work, in two queries."""
    since = now - STAYS_FOR
    rows = SetAside.objects.filter(ends_at__gte=since).select_related("job")
    for row in rows.order_by("starts_at", "id"):
        yield _aside(row)
    lent = LentPeople.objects.filter(last_day__gte=timezone.localdate(since))
    for people in lent.select_related("from_crew", "to_crew").order_by("first_day", "id"):
        yield from _lent(people)


def _aside(row: SetAside) -> FeedEntry:
    job = row.job
    return FeedEntry(
        crew_id=row.crew_id,
        source=f"aside:{row.pk}",
        starts_at=row.starts_at,
        ends_at=row.ends_at,
        summary=f"{row.get_kind_display()}{f' – Job {job.number}' if job else ''}",
        location=f"{job.site_address}, {job.site_town}, {job.site_state}" if job else "",
        description=row.note,
    )


def _lent(row: LentPeople) -> Iterator[FeedEntry]:
    """Yield whole days in both calendars: who is away, and who comes."""
    who = "1 person" if row.people == 1 else f"{row.people} people"
    words = {
        row.from_crew_id: f"{who} of yours with {row.to_crew}",
        row.to_crew_id: f"{who} of {row.from_crew} with you",
    }
    for crew_id, summary in words.items():
        yield FeedEntry(
            crew_id=crew_id,
            source=f"lent:{row.pk}",
            starts_at=_midnight(row.first_day),
            ends_at=_midnight(row.last_day + timedelta(days=1)),
            whole_days=True,
            summary=summary,
            location="",
            description=row.note,
        )


def _midnight(day: date) -> datetime:
    return datetime.combine(day, time(), tzinfo=timezone.get_default_timezone())
