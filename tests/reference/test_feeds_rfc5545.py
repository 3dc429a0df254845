"""The feed against the calendar standards: RFC 5545, RFC 7986, RFC 9110."""

import re
import uuid
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import icalendar
import pytest

from crews.feeds import render
from crews.models import Crew, FeedEvent

EASTERN = ZoneInfo("America/New_York")
REVISED = datetime(2026, 6, 1, 12, tzinfo=UTC)


@pytest.fixture(autouse=True)
def site_zone(settings):
    settings.TIME_ZONE = "America/New_York"


def _feed(starts_at, ends_at, summary="Frame", **texts):
    event = FeedEvent(
        uid=uuid.UUID(int=1),
        starts_at=starts_at,
        ends_at=ends_at,
        summary=summary,
        revised_at=REVISED,
        **texts,
    )
    return render(Crew(pk=1, name="North crew"), [event])


def _morning(summary="Frame", **texts):
    start = datetime(2026, 6, 8, 7, tzinfo=EASTERN)
    return _feed(start, start + timedelta(hours=4), summary, **texts)


def test_the_last_day_of_work_is_shown_as_in_the_standards_example():
    """
    28 June to 8 July 2007, both included, ends on 9 July.

    Source: RFC 5545, section 3.6.1, the example of a multi-day event ("Festival International
    de Jazz de Montreal"). The hours are ours.
    """
    body = _feed(
        datetime(2007, 6, 28, 7, tzinfo=EASTERN), datetime(2007, 7, 8, 15, 30, tzinfo=EASTERN)
    )

    assert b"\r\nDTSTART;VALUE=DATE:20070628\r\n" in body
    assert b"\r\nDTEND;VALUE=DATE:20070709\r\n" in body


def test_hours_are_in_the_form_of_utc_time():
    """
    Form #2, "19980119T070000Z", marks 07:00 UTC on 19 January 1998.

    Source: RFC 5545, section 3.3.5.
    """
    start = datetime(1998, 1, 19, 7, tzinfo=UTC)

    body = _feed(start, start + timedelta(hours=2))

    assert b"\r\nDTSTART:19980119T070000Z\r\n" in body


def test_text_is_escaped_as_in_the_standards_example():
    r"""
    "Project XYZ Final Review\nConference Room - 3B\nCome Prepared." on one line.

    Source: RFC 5545, section 3.3.11, the example of a multi-line value.
    """
    text = "Project XYZ Final Review\nConference Room - 3B\nCome Prepared."

    unfolded = _morning(description=text).replace(b"\r\n ", b"")

    assert (
        rb"DESCRIPTION:Project XYZ Final Review\nConference Room - 3B\nCome Prepared." in unfolded
    )


@pytest.mark.parametrize(
    ("typed", "written"),
    [("\\", rb"\\"), (";", rb"\;"), (",", rb"\,"), ("\n", rb"\n"), (":", b":"), ('"', b'"')],
)
def test_each_special_character_of_text_is_escaped_and_no_other(typed, written):
    """
    ESCAPED-CHAR is backslash, semicolon, comma and line break; a colon or quote stays.

    Source: RFC 5545, section 3.3.11.
    """
    assert b"SUMMARY:a" + written + b"b\r\n" in _morning(f"a{typed}b")


def test_long_lines_fold_at_75_octets_with_one_space_and_never_inside_a_character():
    """
    Lines should not be longer than 75 octets without the break; a fold is CRLF and one space.

    Source: RFC 5545, section 3.1.
    """
    text = "Żółta – stal 29 ga 🏠 " * 40

    body = _morning(description=text)

    lines = body.split(b"\r\n")
    assert max(map(len, lines)) <= 75
    assert sum(line.startswith(b" ") for line in lines) > 10
    assert all(line.decode() is not None for line in lines)
    assert "DESCRIPTION:" + text in body.decode().replace("\r\n ", "")


def test_every_line_ends_with_cr_and_lf():
    """Source: RFC 5545, section 3.1: content lines are delimited by CRLF."""
    body = _morning("one\rtwo\r\nthree\nfour")

    assert body.endswith(b"END:VCALENDAR\r\n")
    assert not re.search(rb"(?<!\r)\n|\r(?!\n)", body)


def test_control_characters_are_not_written():
    """Source: RFC 5545, section 3.1: CONTROL, all controls but HTAB, is in no value."""
    body = _morning("".join(map(chr, range(32))) + "\x7f")

    assert not re.search(rb"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]", body)
    assert b"\t" in body


def test_the_required_properties_are_there_once():
    """
    VERSION and PRODID in the calendar; UID and DTSTAMP in the event, METHOD nowhere.

    Source: RFC 5545, sections 3.6, 3.6.1 and 3.7.2.
    """
    names = [line.split(b":")[0].split(b";")[0] for line in _morning().split(b"\r\n")]
    in_calendar = names[: names.index(b"BEGIN", 1)]
    in_event = names[names.index(b"BEGIN", 1) :]

    assert (in_calendar.count(b"VERSION"), in_calendar.count(b"PRODID")) == (1, 1)
    assert (in_event.count(b"UID"), in_event.count(b"DTSTAMP")) == (1, 1)
    assert b"METHOD" not in names


def test_without_a_method_the_stamp_is_the_last_revision():
    """Source: RFC 5545, section 3.8.7.2: then DTSTAMP equals LAST-MODIFIED."""
    body = _morning()

    assert b"\r\nDTSTAMP:20260601T120000Z\r\n" in body
    assert b"\r\nLAST-MODIFIED:20260601T120000Z\r\n" in body


def test_the_refresh_interval_spells_out_its_value_type():
    """Source: RFC 7986, section 5.7: the VALUE parameter DURATION is required."""
    assert b"\r\nREFRESH-INTERVAL;VALUE=DURATION:PT1H\r\n" in _morning()


def test_the_calendar_has_a_name():
    """Source: RFC 7986, section 5.1: at most once, but for other languages."""
    calendar = icalendar.Calendar.from_ical(_morning())

    assert calendar["NAME"] == "North crew"


def test_a_uid_holds_no_host_that_could_exist():
    """
    A UID should not give away hosts; ".invalid" is never one.

    Source: RFC 7986, section 5.3 (no host names or other private data in new UIDs); RFC 6761,
    section 6.4.
    """
    calendar = icalendar.Calendar.from_ical(_morning())

    assert calendar.events
    assert all(str(event["UID"]).endswith(".invalid") for event in calendar.events)


@pytest.mark.parametrize(
    ("first_day", "last_day"),
    [
        (date(2026, 3, 6), date(2026, 3, 9)),
        (date(2026, 10, 30), date(2026, 11, 2)),
        (date(2026, 12, 31), date(2027, 1, 4)),
        (date(2028, 2, 28), date(2028, 2, 29)),
    ],
)
def test_days_over_clock_changes_year_ends_and_leap_days_are_whole(first_day, last_day):
    """
    DTEND is the day after the last, whatever the clocks do in between.

    Source: RFC 5545, section 3.6.1; clock changes of 2026 on 8 March and 1 November by the
    Energy Policy Act of 2005, section 110.
    """
    seven = time(7)
    body = _feed(
        datetime.combine(first_day, seven, EASTERN), datetime.combine(last_day, seven, EASTERN)
    )

    (event,) = icalendar.Calendar.from_ical(body).events
    assert (event.start, event.end) == (first_day, last_day + timedelta(days=1))
