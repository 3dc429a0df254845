"""The morning desk: each thing to do with its one action, gone once it is done."""

from datetime import date, timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from contractor.trade.causes import Cause
from contractor.trade.lead_times import RESERVE_DAYS
from crews.models import Crew
from inspections.models import Inspection
from jobs.models import Booking, Delivery, FieldReport, Notice, Phase
from jobs.selectors.call_ahead import CallAheadLine, standing_of
from jobs.selectors.morning_desk import missing_reports, morning_desk
from jobs.selectors.reports import OFFICE
from jobs.selectors.supplier_calls import supplier_calls
from jobs.services.new_report import NewReport
from jobs.services.reporting import take_report
from tests.factories import DayOffFactory, DeliveryFactory, WeatherAreaFactory
from tests.service.inspecting import asked, finish, publish, published_job
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job
from tests.service.weather_hours import tell

pytestmark = pytest.mark.django_db

DESK = "desk:morning"
NOON = MONDAY + timedelta(hours=6)
TUESDAY = MONDAY + timedelta(days=1)
WEDNESDAY = MONDAY + timedelta(days=2)
THURSDAY, FRIDAY = date(2026, 6, 4), date(2026, 6, 5)


def words(client: Client) -> str:
    return client.get(reverse(DESK)).content.decode()


def begin(phase: Phase, crew: Crew | None) -> None:
    Phase.objects.filter(pk=phase.pk).update(status="UNDER_WAY", started_at=MONDAY, crew=crew)


def report(phase: Phase, made_at: Any, **more: Any) -> None:
    """Store a report of the crew's, as it came in."""
    new = NewReport(
        id=uuid4(), phase_id=phase.pk, made_at=made_at, kind=FieldReport.Kind.NOTE, **more
    )
    take_report(report=new, who=OFFICE, now=made_at)


@pytest.fixture
def job(db: None) -> Any:
    return published_job(number="26-001")


@pytest.fixture
def signed_in(client: Client, office: Any) -> Client:
    client.force_login(office)
    return client


def test_with_nothing_to_do_it_is_empty(signed_in: Client, on_monday: None):
    make_firm()

    assert "Nothing waits for you this morning." in words(signed_in)


def test_an_inspection_is_asked_for_by_one_press_and_then_gone(
    signed_in: Client, job: Any, on_monday: None
):
    finish(job, "LAYOUT", "DIG", at=MONDAY)
    page = signed_in.get(reverse(DESK))
    items = next(rows for section, rows in page.context["sections"] if section.key == "ask")
    ((item, may_press),) = items
    assert may_press
    assert "by Mon Jun 1, 16:00" in item.due
    assert page.context["first"].startswith("Mon Jun 1, 16:00")

    back_to = f"{reverse(DESK)}#ask"
    answer = signed_in.post(item.action.address, {**dict(item.action.fields), "next": back_to})

    assert answer["Location"] == back_to
    assert Inspection.objects.get(phase__job=job).status == "REQUESTED"
    assert not morning_desk(now=NOON).to_ask


def test_a_form_opened_from_the_desk_leads_back_to_it(signed_in: Client, job: Any, on_monday: None):
    Delivery.objects.filter(job=job, item="TRUSSES").update(arrived_on=None, ordered_on=None)
    page = signed_in.get(reverse(DESK))
    lists = {section.key: items for section, items in page.context["sections"]}
    ((item, _),) = lists["order"]
    form = signed_in.get(item.action.address).context["adminform"].form
    given = {name: value or "" for name, value in form.initial.items()}

    answer = signed_in.post(item.action.address, {**given, "ordered_on": "2026-06-01"})

    assert answer.headers["Location"] == f"{reverse(DESK)}#order"
    assert not morning_desk(now=NOON).to_order


@pytest.mark.parametrize("elsewhere", ["https://else.example/", "//else.example/x", "javascript:1"])
def test_a_button_leads_to_no_other_site(
    signed_in: Client, job: Any, on_monday: None, elsewhere: str
):
    delivery = DeliveryFactory(job=job, item="LINER", promised_on=date(2026, 6, 3))
    address = reverse("admin:jobs_delivery_tell", args=[delivery.pk])

    answer = signed_in.post(address, {"told": "confirmed", "next": elsewhere})

    assert answer["Location"] == reverse("admin:jobs_delivery_call_ahead")


def test_a_delivery_is_confirmed_by_one_press_and_then_gone(
    signed_in: Client, job: Any, on_monday: None
):
    Delivery.objects.filter(job=job, item="TRUSSES").update(
        arrived_on=None, ordered_on=date(2026, 5, 1), promised_on=date(2026, 6, 4)
    )
    item = only_call(signed_in)
    assert item.action.label == "Confirmed for Thu Jun 4"

    signed_in.post(item.action.address, as_posted(item))

    assert not morning_desk(now=MONDAY).to_confirm.calls


@pytest.fixture
def loads(job: Any) -> list[Delivery]:
    """Two deliveries of one supplier on one day, Thursday."""
    rows = Delivery.objects.filter(job=job, item__in=["TRUSSES", "STEEL"])
    rows.update(
        arrived_on=None,
        supplier="Cinder Bridge Yard",
        ordered_on=date(2026, 5, 1),
        promised_on=THURSDAY,
    )
    return list(rows.order_by("id"))


def only_call(client: Client) -> Any:
    """Return the one thing to do among the deliveries to confirm."""
    page = client.get(reverse(DESK))
    rows = next(rows for section, rows in page.context["sections"] if section.key == "confirm")
    ((item, may_press),) = rows
    assert may_press
    return item


def as_posted(item: Any) -> dict[str, list[str]]:
    """Return the fields of an item's form as the browser sends them."""
    fields: dict[str, list[str]] = {}
    for name, value in item.action.fields:
        fields.setdefault(name, []).append(value)
    return fields


def test_what_a_supplier_brings_on_one_day_is_one_call(
    signed_in: Client, loads: list[Delivery], on_monday: None
):
    item = only_call(signed_in)
    assert item.title == "Cinder Bridge Yard: 2 loads due Thu Jun 4"
    assert item.action.label == "All 2 confirmed for Thu Jun 4"

    signed_in.post(item.action.address, as_posted(item))

    told = Delivery.objects.filter(confirmed_on=MONDAY.date())
    assert sorted(told.values_list("pk", flat=True)) == [row.pk for row in loads]
    assert not morning_desk(now=MONDAY).to_confirm.calls


@pytest.mark.parametrize("which", [0, 1])
def test_where_one_load_has_another_day_by_then_none_is_confirmed(
    signed_in: Client, loads: list[Delivery], on_monday: None, which: int
):
    item = only_call(signed_in)
    Delivery.objects.filter(pk=loads[which].pk).update(promised_on=FRIDAY)

    page = signed_in.post(item.action.address, as_posted(item), follow=True).content.decode()

    assert "its day has changed" in page
    assert not Delivery.objects.filter(confirmed_on=MONDAY.date()).exists()


@pytest.mark.parametrize("also", ["x", "-1", "9" * 40, "1e3", ""])
def test_a_forged_number_among_the_loads_is_no_load(
    signed_in: Client, loads: list[Delivery], on_monday: None, also: str
):
    address = reverse("admin:jobs_delivery_tell", args=[loads[0].pk])

    signed_in.post(address, {"due_on": "2026-06-04", "also": also})

    assert Delivery.objects.get(confirmed_on=MONDAY.date()) == loads[0]


@pytest.mark.parametrize(
    ("due", "needed", "lead", "presses"),
    [
        (-1, 60, 14, True),  # past its day
        (90, 80, 14, True),  # comes too late
        (3, 60, 14, True),  # comes in three days
        (4, 60, 14, False),
        (7, 19, 14, True),  # 19 - 2 of reserve - 14: a new order is too late in three days
        (7, 20, 14, False),
        (7, None, 14, False),  # nothing waits for it yet
    ],
)
def test_a_load_presses_while_it_could_soon_not_be_had_anew_in_time(
    due: int, needed: int | None, lead: int, presses: bool
):
    today = MONDAY.date()
    due_on = today + timedelta(days=due)
    needed_by = None if needed is None else today + timedelta(days=needed)
    line = CallAheadLine(
        delivery=Delivery(item="STEEL", supplier="Cinder Bridge Yard", promised_on=due_on),
        phase_code="ROOF",
        due_on=due_on,
        why="promised",
        lead_days=lead,
        needed_by=needed_by,
        order_by=needed_by and needed_by - timedelta(days=RESERVE_DAYS + lead),
        standing=standing_of(due_on, needed_by, today),
    )

    found = supplier_calls([line], today=today)

    assert (len(found.calls), found.can_wait) == ((1, 0) if presses else (0, 1))


def test_work_that_should_have_begun_is_missing_until_somebody_says_so(job: Any):
    layout = job.phases.get(code="LAYOUT")

    assert not missing_reports(now=NOON)
    (missing, *_) = missing_reports(now=TUESDAY)
    assert missing.phase == layout
    assert "should have begun Mon Jun 1" in missing.words
    begin(layout, missing.booking.crew)
    assert layout not in [row.phase for row in missing_reports(now=NOON)]


def test_work_past_its_end_is_missing_until_somebody_tells_more(job: Any):
    layout = job.phases.get(code="LAYOUT")
    booking = Booking.objects.get(phase=layout, is_live=True)
    begin(layout, booking.crew)

    (missing, *_) = missing_reports(now=WEDNESDAY)
    assert "should have been done Mon Jun 1" in missing.words
    report(layout, WEDNESDAY - timedelta(hours=1), crew_id=booking.crew_id)
    assert layout not in [row.phase for row in missing_reports(now=WEDNESDAY)]


def long_phase(job: Any) -> Booking:
    """Return a booking that takes more than two days, its phase under way."""
    rows = Booking.objects.filter(phase__job=job, is_live=True, crew__isnull=False)
    row = next(row for row in rows if row.ends_at - row.starts_at > timedelta(days=2))
    begin(row.phase, row.crew)
    return row


def test_silence_on_a_work_day_is_missing_and_over_a_weekend_it_is_not(job: Any):
    booking = long_phase(job)
    begins = booking.starts_at.replace(hour=20)
    morning_after = begins + timedelta(hours=14)

    missing = {row.phase: row.words for row in missing_reports(now=morning_after)}
    assert "no report of" in missing[booking.phase]
    report(booking.phase, begins, crew_id=booking.crew_id)
    assert booking.phase not in [row.phase for row in missing_reports(now=morning_after)]


def test_a_stop_that_lasts_needs_no_other_word(job: Any):
    layout = job.phases.get(code="LAYOUT")
    take_report(
        report=NewReport(
            id=uuid4(),
            phase_id=layout.pk,
            kind=FieldReport.Kind.STOPPED,
            made_at=NOON,
            stopped_by=Cause.WEATHER,
            stopped_until=MONDAY + timedelta(days=5),
        ),
        who=OFFICE,
        now=NOON,
    )

    assert layout not in [row.phase for row in missing_reports(now=TUESDAY)]
    late = MONDAY + timedelta(days=7)
    assert layout in [row.phase for row in missing_reports(now=late)]


def test_a_crew_that_is_off_on_a_published_day_is_told(job: Any):
    layout = Booking.objects.get(phase__job=job, phase__code="LAYOUT", is_live=True)
    assert not morning_desk(now=MONDAY).out

    DayOffFactory(crew=layout.crew, first_day=date(2026, 6, 1), reason="Out sick")

    (out, *_) = morning_desk(now=MONDAY).out
    assert (out.crew, out.day, out.why) == (layout.crew, date(2026, 6, 1), "Out sick")
    assert layout in out.bookings


def test_all_domains_are_there_with_an_action_that_exists(
    signed_in: Client, job: Any, on_monday: None
):
    finish(job, "LAYOUT", "DIG", at=MONDAY - timedelta(days=5))
    visit = asked(job, "HOLE_INSPECTION", now=MONDAY - timedelta(days=4))
    Inspection.objects.filter(pk=visit.pk).update(
        visit_from=MONDAY - timedelta(days=3, hours=1), visit_until=MONDAY - timedelta(days=3)
    )
    make_job(number="26-002", material_is_there=False)
    other = make_job(number="26-003")
    publish()
    area = WeatherAreaFactory()
    tell(area, date(2026, 6, 1), days=7, rain_in=0.4, gust_mph=45.0)
    Notice.objects.create(
        event="x", person="user:1", kind="SHEET", made_at=MONDAY, next_try_at=MONDAY, state="PARKED"
    )

    page = signed_in.get(reverse(DESK))

    sections = {section.key: items for section, items in page.context["sections"]}
    assert {"results", "weather", "tickets", "order", "parked"} <= set(sections)
    assert any(other.number in item.title for item, _ in sections["tickets"])
    assert " jun " not in page.content.decode(), "a sentence lost its capitals"
    for items in sections.values():
        for item, may_press in items:
            assert may_press
            if item.action.fields is None:
                assert signed_in.get(item.action.address).status_code == 200, item.action


def test_the_owner_reads_it_without_the_buttons_of_the_office(
    client: Client, owner: Any, stranger: Any, job: Any, on_monday: None
):
    finish(job, "LAYOUT", "DIG", at=MONDAY)
    client.force_login(owner)
    page = words(client)
    assert "Hole inspection" in page
    hole = job.phases.get(code="HOLE_INSPECTION")
    assert reverse("admin:inspections_inspection_ask", args=[hole.pk]) not in page
    client.force_login(stranger)
    assert client.get(reverse(DESK)).status_code == 302


def test_its_queries_do_not_grow_with_the_rows():
    def count() -> int:
        with CaptureQueriesContext(connection) as seen:
            morning_desk(now=TUESDAY)
        return len(seen)

    make_firm()
    tell(WeatherAreaFactory(), date(2026, 6, 1), days=7, rain_in=0.4)
    for _ in range(2):
        cover_digging(make_job(material_is_there=False))
    publish()
    few = count()
    for _ in range(4):
        cover_digging(make_job(material_is_there=False))
    publish(MONDAY + timedelta(minutes=1))

    assert count() == few
