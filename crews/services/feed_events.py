"""What makes the calendars of crews and other readers show the published work."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Q

from crews.feeds import shown_span
from crews.models import Crew, FeedCalendar, FeedEvent

SUMMARY_CHARACTERS = 120


LOCATION_CHARACTERS = 200


SOURCE_CHARACTERS = 60


# HTTP dates count whole seconds (RFC 9110, section 5.6.7): a smaller step would be invisible.
REVISION_STEP = timedelta(seconds=1)


_EVENT_FIELDS = (
    "starts_at",
    "ends_at",
    "whole_days",
    "summary",
    "location",
    "description",
    "sequence",
    "revised_at",
    "is_dropped",
)


@dataclass(frozen=True, slots=True)
class FeedEntry:
    """
    A stretch of work that a calendar should show: a crew's, by `crew_id`, or a `calendar_id`.

    `source` says what it stands for, like phase:17, and keeps the event's identity while its
    dates move. Too long a summary or location is shortened where it is stored.
    """

    source: str
    starts_at: datetime
    ends_at: datetime
    summary: str
    location: str = ""
    description: str = ""
    whole_days: bool = False
    crew_id: int | None = None
    calendar_id: int | None = None

    def __post_init__(self) -> None:
        if (self.crew_id is None) == (self.calendar_id is None):
            raise ValueError(f"{self.source}: give a crew_id or a calendar_id, and not both.")
        if not 0 < len(self.source) <= SOURCE_CHARACTERS:
            raise ValueError(
                f"source {self.source!r}: write 1 to {SOURCE_CHARACTERS} characters, like phase:17."
            )
        for name in ("starts_at", "ends_at"):
            value: datetime = getattr(self, name)
            if value.tzinfo is None:
                raise ValueError(f"{name} {value.isoformat()}: it has no zone; pass an aware one.")
        if self.ends_at <= self.starts_at:
            raise ValueError(
                f"ends_at {self.ends_at.isoformat()} of {self.source}: "
                f"it must be after starts_at {self.starts_at.isoformat()}."
            )


@dataclass(frozen=True, slots=True)
class FeedChange:
    """How many events came, moved (or changed their text) and went, and in which calendars."""

    added: int = 0
    moved: int = 0
    dropped: int = 0
    crews: frozenset[int] = frozenset()
    calendars: frozenset[int] = frozenset()


def replace_feed_events(*, entries: Iterable[FeedEntry], now: datetime) -> FeedChange:
    """
    Return what changed after making the calendars show `entries` from `now` on.

    `entries` are all stretches of the published plan. A stretch keeps its UID for ever; its
    sequence goes up when what a reader sees changes, or when it returns after it was dropped.
    Events that ended before `now` stay although no entry stands for them. Nothing is written
    when nothing changed.

    Raises
    ------
    ValueError
        If two entries have the same calendar and source, or a crew or calendar does not exist.
    """
    wanted = _by_calendar_and_source(entries)
    with transaction.atomic():
        crews = _locked(Crew, {crew_id for crew_id, _, _ in wanted})
        calendars = _locked(FeedCalendar, {calendar_id for _, calendar_id, _ in wanted})
        stored = {
            (event.crew_id, event.calendar_id, event.source): event
            for event in FeedEvent.objects.filter(
                Q(is_dropped=False, ends_at__gt=now)
                | Q(source__in={source for _, _, source in wanted})
            )
        }
        picture = _Picture()
        for key, entry in wanted.items():
            picture.show(stored.get(key), entry, now)
        picture.drop(
            event
            for key, event in stored.items()
            if key not in wanted and not event.is_dropped and event.ends_at > now
        )
        picture.write()
        _touch([crews[pk] for pk in sorted(picture.crews)], now)
        _touch([calendars[pk] for pk in sorted(picture.calendars)], now)
    return picture.change()


class _Picture:
    """What must be written so that the stored events show the wanted ones."""

    def __init__(self) -> None:
        self.crews: set[int] = set()
        self.calendars: set[int] = set()
        self._new: list[FeedEvent] = []
        self._changed: list[FeedEvent] = []
        self._returned = 0
        self._moved = 0
        self._dropped: list[int] = []

    def show(self, event: FeedEvent | None, entry: FeedEntry, now: datetime) -> None:
        """Note what must be written for one wanted entry, if anything."""
        if event is None:
            event = FeedEvent(
                crew_id=entry.crew_id,
                calendar_id=entry.calendar_id,
                source=entry.source,
                revised_at=now,
            )
            _copy(entry, event)
            self._new.append(event)
            self._note(event)
            return
        before, hours_before = _seen(event), (event.starts_at, event.ends_at)
        _copy(entry, event)
        if event.is_dropped or _seen(event) != before:
            self._returned += event.is_dropped
            self._moved += not event.is_dropped
            event.is_dropped = False
            event.sequence += 1
            event.revised_at = max(event.revised_at, now)
            self._note(event)
            self._changed.append(event)
        elif (event.starts_at, event.ends_at) != hours_before:
            # Whole days hide this move from readers; the row still tells the truth.
            self._changed.append(event)

    def drop(self, events: Iterable[FeedEvent]) -> None:
        """Note events that no entry stands for any more."""
        for event in events:
            self._dropped.append(event.pk)
            self._note(event)

    def _note(self, event: FeedEvent) -> None:
        if event.crew_id is not None:
            self.crews.add(event.crew_id)
        if event.calendar_id is not None:
            self.calendars.add(event.calendar_id)

    def write(self) -> None:
        """Write all of it, in at most three statements (more only where a database has limits)."""
        if self._new:
            FeedEvent.objects.bulk_create(self._new)
        if self._changed:
            # All are there; written over in one statement, which bulk_update is slow to make.
            FeedEvent.objects.bulk_create(
                self._changed,
                update_conflicts=True,
                unique_fields=["id"],
                update_fields=_EVENT_FIELDS,
            )
        if self._dropped:
            FeedEvent.objects.filter(pk__in=self._dropped).update(is_dropped=True)

    def change(self) -> FeedChange:
        """Return the counts."""
        return FeedChange(
            added=len(self._new) + self._returned,
            moved=self._moved,
            dropped=len(self._dropped),
            crews=frozenset(self.crews),
            calendars=frozenset(self.calendars),
        )


def _locked(
    model: type[Crew] | type[FeedCalendar], wanted: Iterable[int | None]
) -> dict[int, Crew | FeedCalendar]:
    """Return all rows by key, locked in one order: two at once would count from one sequence."""
    rows = {
        row.pk: row
        for row in model._default_manager.select_for_update(no_key=True)
        .only("pk", "feed_revised_at")
        .order_by("pk")
    }
    unknown = sorted({pk for pk in wanted if pk is not None} - rows.keys())
    if unknown:
        name = "crew" if model is Crew else "calendar"
        raise ValueError(f"{name}_id {unknown}: no such {name}; enter the {name} first.")
    return rows


Key = tuple[int | None, int | None, str]


def _by_calendar_and_source(entries: Iterable[FeedEntry]) -> dict[Key, FeedEntry]:
    wanted: dict[Key, FeedEntry] = {}
    for entry in entries:
        key = (entry.crew_id, entry.calendar_id, entry.source)
        if key in wanted:
            whose = "calendar" if entry.crew_id is None else "crew"
            raise ValueError(
                f"source {entry.source!r} comes twice for {whose} "
                f"{entry.calendar_id if entry.crew_id is None else entry.crew_id}: "
                "give each stretch of work its own source."
            )
        wanted[key] = entry
    return wanted


def _copy(entry: FeedEntry, event: FeedEvent) -> None:
    event.starts_at = entry.starts_at
    event.ends_at = entry.ends_at
    event.whole_days = entry.whole_days
    event.summary = shortened(entry.summary, SUMMARY_CHARACTERS)
    event.location = shortened(entry.location, LOCATION_CHARACTERS)
    event.description = _without_nul(entry.description)


def _without_nul(text: str) -> str:
    """Return the text without the one character that PostgreSQL cannot store."""
    return text.replace("\x00", "")


def shortened(text: str, limit: int) -> str:
    text = _without_nul(text)
    return text if len(text) <= limit else text[: limit - 1] + "…"


def _seen(event: FeedEvent) -> tuple[object, ...]:
    """Return what a reader of the calendar sees of an event."""
    span = shown_span(starts_at=event.starts_at, ends_at=event.ends_at, whole_days=event.whole_days)
    return (*span, event.summary, event.location, event.description)


def _touch(rows: Sequence[Crew | FeedCalendar], now: datetime) -> None:
    """Move revision stamps of one table forward, by at least a step that readers can tell."""
    for row in rows:
        old = row.feed_revised_at
        row.feed_revised_at = now if old is None else max(now, old + REVISION_STEP)
    if rows:
        model: Any = type(rows[0])
        model.objects.bulk_update(rows, ["feed_revised_at"])


def tell_new_name(*, shown: Crew | FeedCalendar, now: datetime) -> None:
    """Let readers that ask by date see that the calendar's name changed."""
    _touch([shown], now)
