"""The names of calendars that are not a crew's; they follow those of firm, jobs and authorities."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crews.models import FeedCalendar
from crews.selectors import firm
from crews.services import tell_new_name
from inspections.models import Authority
from jobs.models import Job

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

Kind = FeedCalendar.Kind
NAME_CHARACTERS = 100
Key = tuple[str, int]


def names_of(keys: Iterable[Key]) -> dict[Key, str]:
    """
    Return the names of calendars by kind and number, in three queries at most.

    One whose job or authority does not exist is left out. A buyer's names neither the buyer nor
    the job's number: it lies in a calendar that others may see.

    Raises
    ------
    crews.selectors.NoFirm
        If there is no firm yet.
    """
    wanted = set(keys)
    numbers = {kind: {number for k, number in wanted if k == kind} for kind in Kind}
    builder = firm().name if numbers[Kind.FIRM] or numbers[Kind.BUYER] else ""
    jobs = Job.objects.in_bulk(numbers[Kind.JOB] | numbers[Kind.BUYER])
    authorities = Authority.objects.in_bulk(numbers[Kind.AUTHORITY])
    names = {
        (Kind.FIRM.value, 0): f"{builder}, all work",
        **{(Kind.JOB.value, pk): f"Job {job.number}" for pk, job in jobs.items()},
        **{(Kind.BUYER.value, pk): f"Your building by {builder}" for pk in jobs},
        **{
            (Kind.AUTHORITY.value, pk): f"Inspections, {row.name}"
            for pk, row in authorities.items()
        },
    }
    return {key: name[:NAME_CHARACTERS] for key, name in names.items() if key in wanted}


def keep_names(*, now: datetime) -> None:
    """Give calendars the names that their job, authority or firm has now."""
    calendars = list(FeedCalendar.objects.order_by("id"))
    names = names_of((row.kind, row.number) for row in calendars) if calendars else {}
    for calendar in calendars:
        name = names.get((calendar.kind, calendar.number), calendar.name)
        if name != calendar.name:
            calendar.name = name
            calendar.save(update_fields=["name"])
            tell_new_name(shown=calendar, now=now)
