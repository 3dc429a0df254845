"""Calendars of the firm, a job, an authority and a buyer, beside those of the crews."""

from datetime import date, timedelta

import pytest

from crews import services
from crews.models import Crew, FeedCalendar, FeedEvent
from inspections.models import Inspection
from jobs.models import Booking, Delivery, Phase
from jobs.services import planning, publishing
from jobs.services.feed_readers import NothingToShow, subscribe_to
from tests.factories import AuthorityFactory
from tests.service.portfolio import MONDAY, make_firm, make_job

Kind = FeedCalendar.Kind
LATER = MONDAY + timedelta(hours=1)

pytestmark = pytest.mark.django_db


@pytest.fixture
def jobs():
    make_firm()
    return [make_job(buyer_phone="555-0133", gate_code="4711#"), make_job()]


def _publish(now=MONDAY):
    publishing.publish(plan_id=planning.plan_now(now=now, budget_seconds=0).pk, now=now)


def _shown(kind, number=0):
    rows = FeedEvent.objects.filter(calendar__kind=kind, calendar__number=number, is_dropped=False)
    return {row.source: row for row in rows}


def _booked(**filters):
    rows = Booking.objects.filter(is_live=True, **filters)
    return {f"phase:{row.phase_id}": row for row in rows}


def test_the_firms_calendar_shows_all_work_with_who_does_it(jobs):
    subscribe_to(kind=Kind.FIRM, reader="Office wall", now=MONDAY)

    _publish()

    shown, booked = _shown(Kind.FIRM), _booked()
    assert shown.keys() == booked.keys()
    for source, row in booked.items():
        assert f"Job {row.phase.job.number}" in shown[source].summary
        assert row.crew is None or shown[source].summary.endswith(row.crew.name)


def test_a_calendar_shows_what_is_published_as_soon_as_it_has_a_reader(jobs):
    _publish()

    subscribe_to(kind=Kind.JOB, number=jobs[0].pk, reader="Seller", now=LATER)

    assert _shown(Kind.JOB, jobs[0].pk).keys() == _booked(phase__job=jobs[0]).keys()
    assert not _shown(Kind.JOB, jobs[1].pk)


def test_a_calendar_that_nobody_reads_is_not_filled(jobs):
    _publish()
    link, _ = subscribe_to(kind=Kind.FIRM, reader="Wall", now=MONDAY)
    services.revoke(link, MONDAY)

    publishing.refresh_feeds(now=LATER)

    assert not _shown(Kind.FIRM)


def test_work_that_moves_keeps_its_event_in_every_calendar(jobs):
    for kind, number in ((Kind.FIRM, 0), (Kind.JOB, jobs[0].pk)):
        subscribe_to(kind=kind, number=number, reader="R", now=MONDAY)
    _publish()
    before = dict(FeedEvent.objects.values_list("pk", "uid"))
    jobs[0].earliest_start_on = (MONDAY + timedelta(days=14)).date()
    jobs[0].save()

    _publish(LATER)

    mine = f"phase:{Phase.objects.get(job=jobs[0], code='LAYOUT').pk}"
    moved = FeedEvent.objects.filter(source=mine, is_dropped=False)
    assert moved.count() == 3
    for event in moved:
        assert (event.sequence, event.uid) == (1, before[event.pk])


def test_an_authority_sees_its_visits_and_nothing_else(jobs):
    mine = jobs[0].permit.authority
    other = AuthorityFactory()
    make_job(authority=other)
    subscribe_to(kind=Kind.AUTHORITY, number=mine.pk, reader=mine.name, now=MONDAY)

    _publish()

    wanted = _booked(phase__code__endswith="_INSPECTION", phase__job__permit__authority=mine)
    assert _shown(Kind.AUTHORITY, mine.pk).keys() == wanted.keys() != set()


def test_a_confirmed_visit_shows_its_hours_to_the_crews_beside_it(jobs):
    _publish()
    row = next(iter(_booked(phase__code="HOLE_INSPECTION", phase__job=jobs[0]).values()))
    starts_at = row.starts_at.replace(hour=17, minute=0)
    ends_at = starts_at + timedelta(hours=2)
    Inspection.objects.create(
        phase=row.phase,
        status=Inspection.Status.CONFIRMED,
        requested_at=MONDAY,
        visit_from=starts_at,
        visit_until=ends_at,
    )

    publishing.refresh_feeds(now=LATER)

    shown = FeedEvent.objects.filter(source=f"phase:{row.phase_id}", is_dropped=False)
    dug_by = Booking.objects.get(is_live=True, phase__job=jobs[0], phase__code="DIG").crew_id
    assert dug_by in {event.crew_id for event in shown}
    for event in shown:
        assert (event.starts_at, event.ends_at) == (starts_at, ends_at)
        assert "Confirmed by the authority." in event.description


def test_a_promised_delivery_is_a_day_in_the_calendar_of_the_crew_at_hand():
    make_firm(crews=1)
    job = make_job()
    due_on = date(2026, 6, 5)
    Delivery.objects.filter(job=job, item="TRUSSES").update(
        arrived_on=None, promised_on=due_on, supplier="Dry Fork Truss", quantity="11 trusses"
    )

    _publish()

    event = FeedEvent.objects.get(source__startswith="delivery:")
    assert event.crew is not None
    assert event.whole_days
    assert event.summary == f"Delivery: trusses – Job {job.number}"
    assert "11 trusses." in event.description
    assert event.starts_at.isoformat() == "2026-06-05T04:00:00+00:00"


def test_material_without_a_promised_day_is_in_no_calendar():
    make_firm(crews=1)
    job = make_job()
    Delivery.objects.filter(job=job, item="TRUSSES").update(arrived_on=None)

    _publish()

    assert not FeedEvent.objects.filter(source__startswith="delivery:").exists()


def test_a_buyer_sees_whole_weeks_and_the_likely_finish_and_no_more(jobs):
    subscribe_to(kind=Kind.BUYER, number=jobs[0].pk, reader="Buyer", now=MONDAY)

    _publish()

    shown = _shown(Kind.BUYER, jobs[0].pk)
    last = max(row.ends_at for row in _booked(phase__job=jobs[0]).values())
    assert {"stage:GROUND", "stage:FRAME", "stage:STEEL", "stage:END", "finish"} <= shown.keys()
    for event in shown.values():
        assert event.whole_days
        assert event.starts_at.astimezone(MONDAY.tzinfo).weekday() == 0
        assert event.ends_at.astimezone(MONDAY.tzinfo).weekday() == 0
        told = f"{event.summary} {event.description}"
        assert jobs[0].number not in told
        assert "crew" not in told.lower()
    assert shown["finish"].starts_at < last < shown["finish"].ends_at


def test_no_calendar_holds_a_gate_code_a_price_or_the_buyer(jobs):
    for kind, number in (
        (Kind.FIRM, 0),
        (Kind.JOB, jobs[0].pk),
        (Kind.BUYER, jobs[0].pk),
        (Kind.AUTHORITY, jobs[0].permit.authority_id),
    ):
        subscribe_to(kind=kind, number=number, reader="R", now=MONDAY)

    _publish()

    for event in FeedEvent.objects.all():
        told = f"{event.summary} {event.location} {event.description}"
        for secret in ("4711", "555-0133", jobs[0].buyer_name, "48500", "48,500"):
            assert secret not in told


def test_crews_find_the_page_of_the_phase_and_their_people(jobs, settings):
    settings.PUBLIC_URL = "https://office.example"

    _publish()

    phase = Phase.objects.get(job=jobs[0], code="DIG")
    event = FeedEvent.objects.get(source=f"phase:{phase.pk}", is_dropped=False)
    assert f"https://office.example/phone/phases/{phase.pk}/" in event.description
    assert f"{event.crew.name}: {event.crew.size} people." in event.description


def test_who_is_in_a_crew_stands_in_its_own_calendar_alone(jobs):
    Crew.objects.update(people_by_name="Dell, Ina, Corbin")
    for kind, number in ((Kind.FIRM, 0), (Kind.JOB, jobs[0].pk), (Kind.BUYER, jobs[0].pk)):
        subscribe_to(kind=kind, number=number, reader="R", now=MONDAY)

    _publish()

    told = FeedEvent.objects.filter(description__contains="With Dell, Ina, Corbin.")
    assert told.filter(crew=None).count() == 0
    assert told.count() == Booking.objects.filter(is_live=True).exclude(crew=None).count()


def test_a_calendars_name_follows_its_authoritys(jobs):
    authority = jobs[0].permit.authority
    _publish()
    subscribe_to(kind=Kind.AUTHORITY, number=authority.pk, reader="A", now=MONDAY)
    before = FeedCalendar.objects.get().feed_revised_at
    authority.name = "Alder County"
    authority.save()

    publishing.refresh_feeds(now=LATER)

    calendar = FeedCalendar.objects.get()
    assert calendar.name == "Inspections, Alder County"
    assert calendar.feed_revised_at > before


def test_a_job_that_is_not_there_has_no_calendar(jobs):
    with pytest.raises(NothingToShow, match="no job 4711"):
        subscribe_to(kind=Kind.JOB, number=4711, reader="R", now=MONDAY)

    assert not FeedCalendar.objects.exists()


def test_the_same_facts_again_change_no_calendar(jobs):
    for kind, number in ((Kind.FIRM, 0), (Kind.BUYER, jobs[0].pk)):
        subscribe_to(kind=kind, number=number, reader="R", now=MONDAY)
    _publish()
    before = list(FeedEvent.objects.order_by("pk").values())

    publishing.refresh_feeds(now=LATER)

    assert list(FeedEvent.objects.order_by("pk").values()) == before


@pytest.mark.either_database
def test_queries_do_not_grow_with_jobs_and_readers(jobs, django_assert_max_num_queries):
    def read_by(number):
        for job in jobs[:number]:
            subscribe_to(kind=Kind.BUYER, number=job.pk, reader="B", now=MONDAY)
            subscribe_to(kind=Kind.JOB, number=job.pk, reader="J", now=MONDAY)

    _publish()
    read_by(1)
    with django_assert_max_num_queries(60) as few:
        publishing.refresh_feeds(now=LATER)
    jobs += [make_job() for _ in range(3)]
    _publish(LATER)
    read_by(5)
    with django_assert_max_num_queries(60) as many:
        publishing.refresh_feeds(now=LATER)

    assert len(many) == len(few)
