"""Publishing into the crews' calendars: identity, sequence and stamps."""

from datetime import UTC, datetime, timedelta

import pytest

from crews.models import Crew, FeedEvent
from crews.services import FeedChange, FeedEntry, replace_feed_events
from tests.factories import CrewFactory, FeedEventFactory

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
LATER = NOW + timedelta(hours=5)
START = datetime(2026, 6, 8, 11, tzinfo=UTC)
END = datetime(2026, 6, 9, 16, tzinfo=UTC)


@pytest.fixture(autouse=True)
def site_zone(settings):
    settings.TIME_ZONE = "America/New_York"


@pytest.fixture
def crew():
    return CrewFactory()


def _entry(crew, source="phase:17", **changes):
    values = {"starts_at": START, "ends_at": END, "summary": "Frame – Job 26-041"}
    return FeedEntry(crew_id=crew.pk, source=source, **(values | changes))


def _stamp(crew):
    return Crew.objects.get(pk=crew.pk).feed_revised_at


def test_a_new_stretch_starts_at_sequence_0(crew):
    change = replace_feed_events(entries=[_entry(crew)], now=NOW)

    event = FeedEvent.objects.get()
    assert change == FeedChange(added=1, crews=frozenset({crew.pk}))
    assert (event.sequence, event.revised_at, event.is_dropped) == (0, NOW, False)
    assert _stamp(crew) == NOW


def test_the_same_entries_again_write_nothing(crew, django_assert_num_queries):
    entries = [_entry(crew), _entry(crew, "phase:18")]
    replace_feed_events(entries=entries, now=NOW)
    before = list(FeedEvent.objects.order_by("id").values())

    with django_assert_num_queries(5):  # savepoint, crews, calendars, events, release: reading only
        change = replace_feed_events(entries=entries, now=LATER)

    assert change == FeedChange()
    assert list(FeedEvent.objects.order_by("id").values()) == before
    assert _stamp(crew) == NOW


@pytest.mark.parametrize(
    "changes",
    [
        {"starts_at": START - timedelta(days=1)},
        {"ends_at": END + timedelta(days=1)},
        {"summary": "Frame and brace – Job 26-041"},
        {"location": "12 Fence Row Road"},
        {"description": "Gate on the left."},
    ],
)
def test_what_a_reader_sees_raises_the_sequence_and_keeps_the_uid(crew, changes):
    replace_feed_events(entries=[_entry(crew)], now=NOW)
    uid = FeedEvent.objects.get().uid

    change = replace_feed_events(entries=[_entry(crew, **changes)], now=LATER)

    event = FeedEvent.objects.get()
    assert change == FeedChange(moved=1, crews=frozenset({crew.pk}))
    assert (event.uid, event.sequence, event.revised_at) == (uid, 1, LATER)
    assert {name: getattr(event, name) for name in changes} == changes
    assert _stamp(crew) == LATER


def test_hours_that_whole_days_hide_are_stored_without_a_new_sequence(crew):
    replace_feed_events(entries=[_entry(crew)], now=NOW)
    an_hour_later = START + timedelta(hours=1)

    change = replace_feed_events(entries=[_entry(crew, starts_at=an_hour_later)], now=LATER)

    event = FeedEvent.objects.get()
    assert change == FeedChange()
    assert (event.starts_at, event.sequence, event.revised_at) == (an_hour_later, 0, NOW)
    assert _stamp(crew) == NOW


def test_hours_within_one_day_are_seen_and_raise_the_sequence(crew):
    one_day = {"ends_at": START + timedelta(hours=2)}
    replace_feed_events(entries=[_entry(crew, **one_day)], now=NOW)

    moved = _entry(crew, starts_at=START + timedelta(hours=1), **one_day)
    replace_feed_events(entries=[moved], now=LATER)

    assert FeedEvent.objects.get().sequence == 1


def test_a_stretch_that_is_gone_is_dropped_and_returns_under_its_uid(crew):
    replace_feed_events(entries=[_entry(crew)], now=NOW)
    uid = FeedEvent.objects.get().uid

    gone = replace_feed_events(entries=[], now=LATER)
    dropped = FeedEvent.objects.get().is_dropped
    back = replace_feed_events(entries=[_entry(crew)], now=LATER + timedelta(hours=1))

    event = FeedEvent.objects.get()
    assert gone == FeedChange(dropped=1, crews=frozenset({crew.pk}))
    assert dropped
    assert back == FeedChange(added=1, crews=frozenset({crew.pk}))
    assert (event.uid, event.sequence, event.is_dropped) == (uid, 1, False)


def test_a_dropped_stretch_is_not_dropped_twice(crew):
    FeedEventFactory(crew=crew, is_dropped=True)

    assert replace_feed_events(entries=[], now=NOW) == FeedChange()


def test_work_that_has_ended_stays_when_no_entry_stands_for_it(crew):
    past = FeedEventFactory(crew=crew, ends_at=NOW, starts_at=NOW - timedelta(days=2))

    change = replace_feed_events(entries=[_entry(crew)], now=NOW)

    past.refresh_from_db()
    assert change.dropped == 0
    assert not past.is_dropped


def test_work_handed_to_another_crew_leaves_the_first_and_gets_its_own_uid(crew):
    other = CrewFactory()
    replace_feed_events(entries=[_entry(crew)], now=NOW)

    change = replace_feed_events(entries=[_entry(other)], now=LATER)

    mine, theirs = FeedEvent.objects.order_by("id")
    assert change == FeedChange(added=1, dropped=1, crews=frozenset({crew.pk, other.pk}))
    assert mine.is_dropped
    assert not theirs.is_dropped
    assert mine.uid != theirs.uid


def test_what_the_first_crew_did_of_a_handed_over_stretch_stays(crew):
    past = FeedEventFactory(
        crew=crew, source="phase:17", starts_at=NOW - timedelta(days=2), ends_at=NOW
    )

    change = replace_feed_events(entries=[_entry(CrewFactory())], now=NOW)

    past.refresh_from_db()
    assert change.dropped == 0
    assert not past.is_dropped


def test_only_crews_whose_calendar_changed_are_stamped(crew):
    other = CrewFactory()
    replace_feed_events(entries=[_entry(crew), _entry(other)], now=NOW)

    replace_feed_events(entries=[_entry(crew), _entry(other, summary="Roof")], now=LATER)

    assert (_stamp(crew), _stamp(other)) == (NOW, LATER)


def test_the_stamp_moves_forward_even_when_the_clock_went_back(crew):
    replace_feed_events(entries=[_entry(crew)], now=NOW)

    replace_feed_events(entries=[_entry(crew, summary="Roof")], now=NOW - timedelta(hours=3))

    assert _stamp(crew) == NOW + timedelta(seconds=1)
    assert FeedEvent.objects.get().revised_at == NOW


def test_two_changes_within_a_second_differ_by_a_whole_second(crew):
    replace_feed_events(entries=[_entry(crew)], now=NOW)

    replace_feed_events(entries=[], now=NOW + timedelta(milliseconds=300))

    assert _stamp(crew) == NOW + timedelta(seconds=1)


def test_a_repeated_source_is_refused_and_nothing_is_stored(crew):
    with pytest.raises(ValueError, match="'phase:17' comes twice"):
        replace_feed_events(entries=[_entry(crew), _entry(crew)], now=NOW)

    assert not FeedEvent.objects.exists()


def test_an_unknown_crew_is_refused(crew):
    entry = FeedEntry(
        crew_id=crew.pk + 1, source="phase:1", starts_at=START, ends_at=END, summary="Roof"
    )

    with pytest.raises(ValueError, match="no such crew"):
        replace_feed_events(entries=[entry], now=NOW)


def test_too_long_a_text_is_shortened_and_stays_steady(crew):
    entry = _entry(crew, summary="S" * 500, location="L" * 500, description="a\x00b")
    replace_feed_events(entries=[entry], now=NOW)

    again = replace_feed_events(entries=[entry], now=LATER)

    event = FeedEvent.objects.get()
    assert (len(event.summary), event.summary[-1]) == (120, "…")
    assert (len(event.location), event.location[-1]) == (200, "…")
    assert event.description == "ab"
    assert again == FeedChange()


@pytest.mark.parametrize("count", [5, 25])
def test_the_number_of_queries_does_not_grow_with_the_plan(crew, count, django_assert_num_queries):
    others = CrewFactory.create_batch(3)
    kept = [_entry(crew, f"phase:{n}") for n in range(count)]
    gone = [_entry(crew, f"phase:{n}") for n in range(count, 2 * count)]
    replace_feed_events(entries=kept + gone, now=NOW)
    moved = [_entry(crew, entry.source, summary="Roof") for entry in kept]
    added = [_entry(other, f"phase:{n}") for other in others for n in range(count)]

    # savepoint, crews, events, create, update, drop, stamps, release
    with django_assert_num_queries(9):
        replace_feed_events(entries=moved + added, now=LATER)
