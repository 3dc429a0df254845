"""Whatever is typed comes back from the feed as it was, and nothing more comes with it."""

import re
import uuid
from datetime import UTC, datetime, timedelta

import icalendar
import vobject
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from crews.feeds import plain_text, render, shown_span
from crews.models import Crew, FeedEvent

START = datetime(2026, 6, 8, 11, tzinfo=UTC)
NASTY = st.sampled_from(
    ["\\", "\\n", "\\N", "\r\n", "\n", "\r", ";", ",", ":", '"', "^", "%0D", "\t", " ", "\x00", "é",
     "🏠", "BEGIN:VEVENT", "END:VEVENT", "ATTACH:", "\u2028", "\x85", "\ufeff"]
)  # fmt: skip
TEXT = st.text(max_size=200) | st.lists(NASTY, max_size=40).map("".join)
INSTANTS = st.datetimes(
    min_value=datetime(2020, 1, 1), max_value=datetime(2040, 1, 1), timezones=st.just(UTC)
)
STRETCHES = st.timedeltas(min_value=timedelta(minutes=15), max_value=timedelta(days=40))


def _event(**changes):
    values = {"starts_at": START, "ends_at": START + timedelta(days=2), "summary": "Frame"}
    return FeedEvent(uid=uuid.UUID(int=5), revised_at=START, **(values | changes))


def _render(event, name="North crew"):
    return render(Crew(pk=1, name=name), [event])


def _unescaped(value):
    """Return a TEXT value as RFC 5545, section 3.3.11, reads it: one pass, left to right."""
    return re.sub(r"\\(.)", lambda found: "\n" if found[1] in "nN" else found[1], value)


def _property_names(body):
    return [re.split("[:;]", line)[0] for line in body.decode().replace("\r\n ", "").split("\r\n")]


BUSY = settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)


@BUSY
@given(summary=TEXT, location=TEXT, description=TEXT)
def test_any_text_comes_back_equal(summary, location, description):
    texts = {"summary": summary, "location": location, "description": description}

    body = _render(_event(**texts))

    (event,) = icalendar.Calendar.from_ical(body).events
    other = vobject.readOne(body.decode()).vevent
    lines = body.decode().replace("\r\n ", "").split("\r\n")
    for name, typed in texts.items():
        expected = plain_text(typed)
        raw = "".join(line for line in lines if line.startswith(f"{name.upper()}:"))
        assert _unescaped(raw.removeprefix(f"{name.upper()}:")) == expected
        assert str(event.get(name.upper(), "")) == expected
        assert other.getChildValue(name, "") == expected


@BUSY
@given(name=TEXT, summary=TEXT, location=TEXT, description=TEXT)
def test_no_text_adds_a_property_or_an_event(name, summary, location, description):
    plain = _property_names(_render(_event(summary="x", location="x", description="x"), "x"))

    event = _event(summary="x" + summary, location="x" + location, description="x" + description)

    assert _property_names(_render(event, "x" + name)) == plain


@BUSY
@given(text=TEXT)
def test_lines_are_short_end_in_crlf_and_hold_no_controls(text):
    body = _render(_event(summary=text, description=text))

    assert max(map(len, body.split(b"\r\n"))) <= 75
    assert not re.search(rb"(?<!\r)\n|\r(?!\n)|[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]", body)


@BUSY
@given(text=TEXT)
def test_plain_text_made_plain_again_is_the_same(text):
    assert plain_text(plain_text(text)) == plain_text(text)


@BUSY
@given(text=st.text(alphabet=st.characters(exclude_categories=["Cc", "Cs", "Cf", "Zl", "Zp"])))
def test_ordinary_characters_are_all_kept(text):
    assert plain_text(text) == text


@BUSY
@given(starts_at=INSTANTS, stretch=STRETCHES)
def test_a_stretch_shows_every_instant_of_itself_and_not_a_day_more(starts_at, stretch):
    ends_at = starts_at + stretch

    start, end = shown_span(starts_at=starts_at, ends_at=ends_at)

    assert start < end
    if isinstance(start, datetime):
        assert (start, end) == (starts_at, ends_at)
    else:
        assert end - start >= timedelta(days=2)
        assert (end - start).days <= stretch / timedelta(days=1) + 2


@BUSY
@given(starts_at=INSTANTS, stretch=STRETCHES)
def test_the_same_row_always_gives_the_same_bytes(starts_at, stretch):
    changes = {"starts_at": starts_at, "ends_at": starts_at + stretch}

    assert _render(_event(**changes)) == _render(_event(**changes))
