"""Two processes at the same work at the same moment, on PostgreSQL."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from threading import Barrier
from typing import Any

import pytest
from django.db import connection

from crews import services
from crews.models import Crew, DayOff, FeedEvent, HolidayYear
from tests.factories import CrewFactory, FirmFactory
from tests.processes import PATIENCE_SECONDS

pytestmark = [pytest.mark.services, pytest.mark.django_db(transaction=True)]

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
AT_ONCE = 4


def _at_once(work: Callable[[int], Any]) -> list[Any]:
    """Return what each of four calls on connections of their own gave, started together."""
    start = Barrier(AT_ONCE, timeout=PATIENCE_SECONDS)

    def run(number: int) -> Any:
        try:
            connection.ensure_connection()
            start.wait()
            return work(number)
        finally:
            connection.close()

    with ThreadPoolExecutor(AT_ONCE) as pool:
        return list(pool.map(run, range(AT_ONCE)))


def test_holidays_of_a_year_are_written_by_one_alone():
    FirmFactory()

    written = _at_once(lambda _: services.ensure_public_holidays(years=[2026]))

    assert sorted(written) == [(), (), (), (2026,)]
    days = DayOff.objects.values_list("first_day", flat=True)
    assert len(days) == len(set(days)) > 0
    assert HolidayYear.objects.count() == 1


def test_the_same_plan_published_by_several_gives_each_stretch_once():
    crew = CrewFactory()
    entries = [
        services.FeedEntry(
            crew_id=crew.pk,
            source=f"phase:{n}",
            starts_at=NOW,
            ends_at=NOW + timedelta(days=n + 1),
            summary="Frame",
        )
        for n in range(10)
    ]

    changes = _at_once(lambda _: services.replace_feed_events(entries=entries, now=NOW))

    assert sorted(change.added for change in changes) == [0, 0, 0, 10]
    assert FeedEvent.objects.filter(sequence=0).count() == 10


def test_every_change_of_an_event_raises_its_sequence_by_one():
    crew = CrewFactory()

    def publish(number: int) -> services.FeedChange:
        entry = services.FeedEntry(
            crew_id=crew.pk,
            source="phase:1",
            starts_at=NOW,
            ends_at=NOW + timedelta(days=2),
            summary=f"Frame {number}",
        )
        return services.replace_feed_events(entries=[entry], now=NOW)

    _at_once(publish)

    assert FeedEvent.objects.get().sequence == AT_ONCE - 1
    assert Crew.objects.get().feed_revised_at == NOW + timedelta(seconds=AT_ONCE - 1)


def test_of_fetches_at_once_one_is_written_down():
    subscription, _ = services.subscribe(crew=CrewFactory(), reader="Phone", now=NOW)

    written = _at_once(
        lambda number: services.record_fetch(
            subscription=subscription, client=f"Phone{number}", now=NOW + timedelta(hours=1)
        )
    )

    assert sorted(written) == [False, False, False, True]
