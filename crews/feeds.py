"""
A crew's work, or another calendar, as an iCalendar text (RFC 5545, RFC 7986).

Readers keep their own copy and compare it with the next one, so the same rows must always give
the same bytes: nothing here asks for the time, and identifiers come from the rows.
"""

import re
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta

from django.utils import timezone
from icalendar import Calendar, Event
from icalendar.prop import vText

from crews.models import Crew, FeedCalendar, FeedEvent

PRODID = "-//Girtline//Crew calendar 1//EN"
# A name that can never be a host (RFC 6761, section 6.4): moving the service keeps every UID.
UID_DOMAIN = "girtline.invalid"
POLL = timedelta(hours=1)

Moment = date | datetime

_LINE_BREAKS = re.compile("\r\n|[\r\u0085\u2028\u2029]")
# Control characters, halves of surrogate pairs, and the mark that some readers take for a prefix.
_UNWANTED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff\ufeff]")


class _Text(vText):
    r"""
    A TEXT value escaped as RFC 5545, section 3.3.11, says.

    The library's own escaping turns a typed "\N", as in "C:\New", into a line break.
    """

    def to_ical(self) -> bytes:
        """Return the escaped value."""
        escaped = self.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
        return escaped.replace("\n", "\\n").encode()


def plain_text(text: str) -> str:
    """
    Return the text as a calendar can carry it: line breaks as "\\n", no control characters.

    RFC 5545, section 3.1, leaves control characters other than the tab out of every value.
    """
    return _UNWANTED.sub("", _LINE_BREAKS.sub("\n", text))


def shown_span(
    *, starts_at: datetime, ends_at: datetime, whole_days: bool = False
) -> tuple[Moment, Moment]:
    """
    Return how a stretch of work shows: two UTC instants, or two days with the end left out.

    Work within one day of the site's zone keeps its hours, unless `whole_days` says that its hours
    mean nothing. Longer work is shown as whole days, because it pauses overnight; the second day
    is the day after the last (RFC 5545, section 3.6.1). Work that ends at midnight belongs to the
    day before.
    """
    zone = timezone.get_default_timezone()
    first_day = starts_at.astimezone(zone).date()
    last_instant = ends_at.astimezone(UTC) - timedelta(microseconds=1)
    last_day = last_instant.astimezone(zone).date()
    if first_day == last_day and not whole_days:
        return starts_at.astimezone(UTC), ends_at.astimezone(UTC)
    return first_day, last_day + timedelta(days=1)


def render(shown: Crew | FeedCalendar, events: Iterable[FeedEvent]) -> bytes:
    """
    Return the feed of a crew or another calendar; the same rows always give the same bytes.

    No METHOD is set, so the text is a picture of the plan and DTSTAMP is the time of the last
    revision (RFC 5545, sections 3.7.2 and 3.8.7.2).
    """
    # No UID of the calendar itself, which RFC 7986, section 5.3, leaves free: a program that takes
    # a feed apart (vdirsyncer 0.21) takes it for that of every event and keeps only one of them.
    calendar = Calendar()
    calendar.add("VERSION", "2.0")
    calendar.add("PRODID", PRODID)
    name = _Text(plain_text(shown.name))
    calendar.add("NAME", name)
    calendar.add("X-WR-CALNAME", name)
    # RFC 7986, section 5.7: the value type must be spelt out.
    calendar.add("REFRESH-INTERVAL", POLL, parameters={"VALUE": "DURATION"})
    calendar.add("X-PUBLISHED-TTL", "PT1H")
    for event in events:
        calendar.add_component(_component(event))
    return bytes(calendar.to_ical())


def _component(event: FeedEvent) -> Event:
    """Return one VEVENT."""
    start, end = shown_span(
        starts_at=event.starts_at, ends_at=event.ends_at, whole_days=event.whole_days
    )
    component = Event.new(
        uid=f"{event.uid}@{UID_DOMAIN}",
        start=start,
        end=end,
        sequence=event.sequence,
        stamp=event.revised_at.astimezone(UTC),
        last_modified=event.revised_at.astimezone(UTC),
    )
    # RFC 5545, section 3.8.2.7: a crew's work does not make its reader busy.
    component.add("TRANSP", "TRANSPARENT")
    for field in ("summary", "location", "description"):
        text = plain_text(getattr(event, field))
        if text:
            component.add(field.upper(), _Text(text))
    return component
