"""
Every text that people type and calendars show, typed as anything, in every kind of calendar.

Quotes, commas, line breaks, pictures and forged lines come back equal from three independent
readers (`icalendar`, `vobject`, and npm's `ical.js`), and add no event. What calendars must not
tell never gets into them, however it is typed.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

import pytest
from django.db import transaction
from django.utils import timezone
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from crews.feeds import plain_text, render
from crews.models import Crew, Equipment, FeedCalendar, FeedEvent, Firm
from crews.selectors import feed_events
from inspections.models import Authority, Permit
from jobs.models import Booking, Delivery, Job, LentPeople, SetAside
from jobs.services import planning, publishing
from jobs.services.feed_readers import subscribe_to
from tests.reference.feed_readers import (
    ReadEvent,
    read_with_ical_js,
    read_with_icalendar,
    read_with_vobject,
)
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = pytest.mark.django_db

Reader = Callable[[bytes], list[ReadEvent]]
Kind = FeedCalendar.Kind
LATER = MONDAY + timedelta(hours=1)
NASTY = st.sampled_from(
    ["\\", "\\n", "\\N", "\r\n", "\n", "\r", ";", ",", ":", '"', "'", "^", "=0D=0A", "\t", " ", "é",
     "🏠", "👷🏽", "END:VEVENT", "\r\nATTACH:x", "\u2028", "\x85", "\ufeff", "\x07", "."]
)  # fmt: skip
ANY = st.characters(exclude_characters="\0", exclude_categories=["Cs"])
# A letter first, so that it can be found again and no name is empty; short enough not to be cut.
TEXT = st.builds(
    "Q{}Z".format,
    st.text(ANY, max_size=24) | st.lists(NASTY, max_size=12).map(lambda s: "".join(s)[:24]),
)
FORGED = 'Q,";\\n\r\nEND:VEVENT\r\n🏠Z'
# What is typed where; all of it is shown in some calendar.
SHOWN = (
    "crew", "people", "machine", "address", "town", "supplier", "quantity", "authority", "permit",
    "firm", "aside", "lent",
)  # fmt: skip
# What is typed and lies in no calendar.
HIDDEN = ("gate_code", "buyer_name", "buyer_phone", "notes")
FEW = settings(
    max_examples=8,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@pytest.fixture
def job() -> Job:
    """A published job, with readers of calendars of all kinds, time set aside and people lent."""
    first, second = make_firm()
    job = make_job(gate_code="1", buyer_phone="555-0133", notes="n")
    make_job()
    publishing.publish(plan_id=planning.plan_now(now=MONDAY, budget_seconds=0).pk, now=MONDAY)
    delivery = Delivery.objects.filter(job=job).order_by("pk").first()
    assert delivery is not None
    delivery.arrived_on, delivery.promised_on = None, (MONDAY + timedelta(days=4)).date()
    delivery.save()
    sunday = (MONDAY + timedelta(days=6)).date()
    LentPeople.objects.create(
        from_crew=first, to_crew=second, people=1, first_day=sunday, last_day=sunday
    )
    SetAside.objects.create(
        crew=first,
        kind=SetAside.Kind.SHOP,
        starts_at=MONDAY + timedelta(days=6),
        ends_at=MONDAY + timedelta(days=6, hours=3),
    )
    numbers = {Kind.FIRM: 0, Kind.JOB: job.pk, Kind.BUYER: job.pk}
    numbers[Kind.AUTHORITY] = job.permit.authority_id
    for kind, number in numbers.items():
        subscribe_to(kind=kind, number=number, reader="R", now=MONDAY)
    return job


@contextmanager
def typed(job: Job, text: dict[str, str]) -> Iterator[None]:
    """Type the texts, and bring calendars in step; all of it is taken back."""
    with transaction.atomic():
        booked = Booking.objects.filter(is_live=True, phase__job=job, crew__isnull=False)
        one = booked.exclude(equipment=None).order_by("pk").first()
        assert one is not None
        Crew.objects.filter(pk=one.crew_id).update(name=text["crew"], people_by_name=text["people"])
        machine = one.equipment.first()
        assert machine is not None
        Equipment.objects.filter(pk=machine.pk).update(name=text["machine"])
        hidden = {name: text[name] for name in HIDDEN}
        Job.objects.filter(pk=job.pk).update(
            site_address=text["address"], site_town=text["town"], **hidden
        )
        Delivery.objects.filter(job=job, arrived_on=None).update(
            supplier=text["supplier"], quantity=text["quantity"]
        )
        Authority.objects.filter(pk=job.permit.authority_id).update(name=text["authority"])
        Permit.objects.filter(job=job).update(number=text["permit"])
        Firm.objects.update(name=text["firm"])
        SetAside.objects.update(note=text["aside"])
        LentPeople.objects.update(note=text["lent"])
        publishing.refresh_feeds(now=LATER)
        yield
        transaction.set_rollback(True)


def calendars() -> list[Crew | FeedCalendar]:
    return [*Crew.objects.order_by("pk"), *FeedCalendar.objects.order_by("pk")]


def check_with(reader: Reader) -> str:
    """Return all that a reader reads of all calendars, each event held to what is stored."""
    words = []
    for shown in calendars():
        stored = list(feed_events(shown, timezone.localdate(LATER)))
        body = render(shown, stored)
        events = {event.uid.partition("@")[0]: event for event in reader(body)}
        assert events.keys() == {str(row.uid) for row in stored}
        for row in stored:
            read = events[str(row.uid)]
            for name in ("summary", "location", "description"):
                assert getattr(read, name) == plain_text(getattr(row, name)), (shown, name)
                words.append(getattr(read, name))
        words.append(plain_text(shown.name))
    return "\0".join(words)


def check(job: Job, text: dict[str, str], readers: list[Reader]) -> None:
    with typed(job, text):
        assert FeedEvent.objects.count() > 20
        for reader in readers:
            words = check_with(reader)
            for name in SHOWN:
                assert plain_text(text[name]) in words, f"{name}: {text[name]!r}"
            for name in HIDDEN:
                assert plain_text(text[name]) not in words, f"{name}: {text[name]!r}"


def texts() -> Any:
    """Give a text for each field, told apart by a number at its end."""
    names = (*SHOWN, *HIDDEN)
    return st.tuples(*(TEXT for _ in names)).map(
        lambda found: {
            name: f"{text}{place:02}"
            for place, (name, text) in enumerate(zip(names, found, strict=True))
        }
    )


ALL_FORGED = {name: f"{FORGED}{place:02}" for place, name in enumerate((*SHOWN, *HIDDEN))}


@FEW
@given(text=texts())
@example(text=ALL_FORGED)
def test_whatever_is_typed_comes_back_equal(job: Job, text: dict[str, str]) -> None:
    check(job, text, [read_with_icalendar, read_with_vobject])


@pytest.mark.node
@settings(FEW, max_examples=2)
@given(text=texts())
@example(text=ALL_FORGED)
def test_whatever_is_typed_comes_back_equal_in_another_language(
    job: Job, text: dict[str, str]
) -> None:
    check(job, text, [read_with_ical_js])
