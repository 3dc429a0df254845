"""
The feed read back by three independent programs: all understand the same.

Sources: the packages `icalendar` and `vobject` (Python) and `ical.js` (npm).
"""

import uuid
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from crews.feeds import UID_DOMAIN, render
from crews.models import Crew, FeedEvent
from tests.reference.feed_readers import (
    ReadEvent,
    read_with_ical_js,
    read_with_icalendar,
    read_with_vobject,
)

EASTERN = ZoneInfo("America/New_York")
READERS = [
    read_with_icalendar,
    read_with_vobject,
    pytest.param(read_with_ical_js, marks=pytest.mark.node),
]
TEXTS = [
    "Frame – Job 26-041",
    "C:\\New\\notes; bring 2×6, 2×8",
    'Gate "north"\nCall before you dig:\n811',
    "END:VEVENT\r\nBEGIN:VEVENT\r\nSUMMARY:forged",
    "Żółw 🏠 " * 20,
    "trailing backslash \\",
    "^n %0D%0A =0D=0A",
]


@pytest.fixture(autouse=True)
def site_zone(settings):
    settings.TIME_ZONE = "America/New_York"


def _event(number, start, hours, text=TEXTS[0]):
    starts_at = datetime(*start, tzinfo=EASTERN)
    return FeedEvent(
        uid=uuid.UUID(int=number),
        starts_at=starts_at,
        ends_at=starts_at.astimezone(UTC) + timedelta(hours=hours),
        summary=text,
        location=text,
        description=text,
        revised_at=datetime(2026, 3, 1, tzinfo=UTC),
    )


def _read(number, start, end, text=TEXTS[0]):
    text = text.replace("\r\n", "\n")
    return ReadEvent(f"{uuid.UUID(int=number)}@{UID_DOMAIN}", text, text, text, start, end)


@pytest.mark.parametrize("reader", READERS)
def test_days_and_hours_are_the_same_in_every_reader(reader):
    events = [
        _event(1, (2026, 3, 6, 7), 8.5),
        _event(2, (2026, 3, 6, 7), 72),  # over the change of clocks on 8 March
        _event(3, (2026, 3, 9, 7), 2),
        _event(4, (2026, 12, 31, 7), 30),
    ]

    read = reader(render(Crew(pk=1, name="North crew"), events))

    assert read == [
        _read(1, "2026-03-06T12:00:00+00:00", "2026-03-06T20:30:00+00:00"),
        _read(2, "2026-03-06", "2026-03-10"),
        _read(3, "2026-03-09T11:00:00+00:00", "2026-03-09T13:00:00+00:00"),
        _read(4, "2026-12-31", "2027-01-02"),
    ]


@pytest.mark.parametrize("reader", READERS)
def test_texts_are_the_same_in_every_reader(reader):
    events = [_event(n, (2026, 6, 8, 7), 30, text) for n, text in enumerate(TEXTS, start=1)]

    read = reader(render(Crew(pk=1, name="North; crew, \\ 2"), events))

    assert read == [
        _read(n, "2026-06-08", "2026-06-10", text) for n, text in enumerate(TEXTS, start=1)
    ]


@pytest.mark.parametrize("reader", READERS)
def test_an_empty_calendar_can_be_read(reader):
    assert reader(render(Crew(pk=1, name="North crew"), [])) == []
