"""The text of a crew's feed, without a database."""

import re
import uuid
from datetime import UTC, datetime, timedelta

import pytest
from icalendar import Calendar

from crews.feeds import plain_text, render
from crews.models import Crew, FeedEvent

REVISED = datetime(2026, 6, 1, 12, 34, 56, 789, tzinfo=UTC)


def _crew():
    return Crew(pk=7, name="North crew")


def _event(**changes):
    values = {
        "uid": uuid.UUID("6b1f3c1e-2a47-4d55-9d5c-0d6f0b6f2a11"),
        "starts_at": datetime(2026, 6, 8, 11, tzinfo=UTC),
        "ends_at": datetime(2026, 6, 9, 16, tzinfo=UTC),
        "summary": "Frame – Job 26-041",
        "location": "12 Fence Row Road, Millbrook Corner",
        "description": "Brace the trusses as the drawings say.",
        "sequence": 3,
        "revised_at": REVISED,
    }
    return FeedEvent(**(values | changes))


def _lines(body):
    return body.decode().replace("\r\n ", "").split("\r\n")


def test_the_same_rows_give_the_same_bytes():
    assert render(_crew(), [_event()]) == render(_crew(), [_event()])


def test_an_empty_feed_is_a_bare_calendar():
    lines = _lines(render(_crew(), []))

    assert lines[0] == "BEGIN:VCALENDAR"
    assert lines[-2:] == ["END:VCALENDAR", ""]
    assert not any("VEVENT" in line for line in lines)


def test_the_calendar_has_its_name_and_neither_a_uid_nor_a_method():
    lines = _lines(render(_crew(), []))

    assert {"VERSION:2.0", "NAME:North crew", "X-WR-CALNAME:North crew"} <= {*lines}
    assert not any(line.startswith(("METHOD", "UID")) for line in lines)


def test_uid_sequence_and_revision_come_from_the_row():
    lines = _lines(render(_crew(), [_event()]))

    assert "UID:6b1f3c1e-2a47-4d55-9d5c-0d6f0b6f2a11@girtline.invalid" in lines
    assert "SEQUENCE:3" in lines
    assert "DTSTAMP:20260601T123456Z" in lines
    assert "LAST-MODIFIED:20260601T123456Z" in lines


def test_an_event_leaves_its_reader_free():
    assert "TRANSP:TRANSPARENT" in _lines(render(_crew(), [_event()]))


def test_hours_are_written_in_utc_without_a_zone():
    event = _event(ends_at=datetime(2026, 6, 8, 19, 30, tzinfo=UTC))

    body = render(_crew(), [event])

    assert b"\r\nDTSTART:20260608T110000Z\r\nDTEND:20260608T193000Z\r\n" in body
    assert b"TZID" not in body


def test_empty_texts_leave_their_lines_out():
    lines = _lines(render(_crew(), [_event(location="", description="\x07")]))

    assert not any(line.startswith(("LOCATION", "DESCRIPTION")) for line in lines)


def test_a_typed_backslash_and_capital_n_is_no_line_break():
    assert r"SUMMARY:Plans in C:\\New" in _lines(
        render(_crew(), [_event(summary=r"Plans in C:\New")])
    )


@pytest.mark.parametrize("line_break", ["\r\n", "\r", "\n", "\u0085", "\u2028", "\u2029"])
def test_every_kind_of_line_break_becomes_one(line_break):
    assert plain_text(f"one{line_break}two") == "one\ntwo"


def test_control_characters_are_left_out_and_tabs_kept():
    assert plain_text("a\x00b\x1b[0m\tc\x7f\x9b") == "ab[0m\tc"


def test_no_line_is_longer_than_75_octets_and_none_ends_without_cr():
    event = _event(summary="Türen – " * 12, description="Żółw, \\; " * 200)

    body = render(_crew(), [event])

    assert max(len(line) for line in body.split(b"\r\n")) <= 75
    assert not re.search(rb"(?<!\r)\n|\r(?!\n)", body)


def test_events_keep_the_order_they_are_given_in():
    events = [_event(uid=uuid.UUID(int=n), starts_at=REVISED - timedelta(days=n)) for n in range(3)]

    calendar = Calendar.from_ical(render(_crew(), events))

    assert [str(event["UID"])[:36] for event in calendar.events] == [
        str(event.uid) for event in events
    ]
