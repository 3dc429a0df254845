"""The office's morning sheet: what to ask for, confirm, renew and look at today."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.utils import timezone

from jobs.models import Notice
from jobs.selectors import people
from jobs.selectors.morning import holds_to_flag, sheet_parts
from jobs.services import notices
from jobs.services.notices import Line

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from jobs.selectors.morning import Part

NOTHING = "Nothing waits for you this morning."


def write_sheet(*, now: datetime) -> int:
    """Write today's sheet to everyone of the office, once; it goes out as the quiet hours end."""
    day = timezone.localdate(now)
    body = sheet_words(sheet_parts(now=now))
    return notices.write(
        event=f"sheet:{day.isoformat()}",
        kind=Notice.Kind.SHEET,
        subject=f"Morning sheet, {day:%a %b %-d}",
        lines={person: [Line(body, now)] for person in people.office_people()},
        now=now,
        at=notices.not_in_quiet(now),
    )


def tell_of_holds(*, now: datetime) -> int:
    """Write a notice to the office of each inspection hold that nears its work; each told once."""
    told = people.office_people()
    written = 0
    for hold in holds_to_flag(now=now):
        written += notices.write(
            event=f"hold:{hold.key}",
            kind=Notice.Kind.HOLD,
            subject=hold.subject,
            lines={person: [Line(hold.words, hold.begins_at)] for person in told},
            now=now,
        )
    return written


def sheet_words(parts: Sequence[Part]) -> str:
    """Return the sheet as plain text: each heading with its lines, empty ones left out."""
    texts = [
        f"{part.heading} ({len(part.lines)})\n" + "\n".join(f"- {line}" for line in part.lines)
        for part in parts
        if part.lines
    ]
    return "\n\n".join(texts) or NOTHING
