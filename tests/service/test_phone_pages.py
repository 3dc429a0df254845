"""What a crew reads on its phone: the right work on the right day, cleared or held, and why."""

from datetime import UTC, date, datetime, timedelta
from http import HTTPStatus
from io import BytesIO
from uuid import uuid4

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from PIL import Image

from crews.models import Crew
from crews.services import phones
from inspections.models import LocateTicket
from jobs.models import Booking, Delivery, Job, LentPeople, Phase, Plan, SetAside
from jobs.selectors.crew_rows import Day, PhaseRow, RowState, Week
from jobs.selectors.crew_week import crew_phase, crew_week
from jobs.selectors.crew_work import told_before
from jobs.selectors.reports import OFFICE
from jobs.services.new_report import NewReport
from jobs.services.photos import add_photo
from jobs.services.reporting import take_report
from tests.factories import CrewFactory, DayOffFactory, WeatherAreaFactory
from tests.service.inspecting import asked, booked, finish, phase, publish, published_job
from tests.service.portfolio import MONDAY, ZONE, cover_digging, make_firm, make_job
from tests.service.weather_hours import tell

pytestmark = pytest.mark.django_db

# What a week shows whole, from its first day on.
FORTNIGHT = timedelta(days=13)


@pytest.fixture(autouse=True)
def site_zone(settings):
    settings.TIME_ZONE = "America/New_York"


@pytest.fixture
def job():
    return published_job(foundation="POURED_PIER")


@pytest.fixture
def crew(job):
    return booked(job, "DIG").crew


def _enrolled(crew: Crew) -> Client:
    client = Client()
    now = datetime.now(UTC)
    _, address = phones.invite(crew=crew, person_name="Ada", now=now)
    client.post("/phone/enroll/" + address.rstrip("/").rpartition("/")[2] + "/")
    return client


def _row(found: Week, code: str) -> PhaseRow:
    return next(row for row in found.phases if row.phase.code == code)


def _day(found: Week, day: date) -> Day:
    return next(shown for shown in found.days if shown.on == day)


def test_each_phase_stands_on_the_days_and_hours_of_its_booking(job):
    assert Booking.objects.filter(is_live=True, crew__isnull=False).count() > 5
    for crew in Crew.objects.all():
        found = crew_week(crew=crew, now=MONDAY)
        shown = {
            (row.row.phase.pk, edge)
            for day in found.days
            for row in day.rows
            for edge in (row.begins_at, row.ends_at)
        }
        bookings = Booking.objects.filter(crew=crew, is_live=True, starts_at__lt=MONDAY + FORTNIGHT)
        for booking in bookings:
            assert (booking.phase_id, booking.starts_at.astimezone(ZONE)) in shown
            if booking.ends_at < MONDAY + FORTNIGHT:
                assert (booking.phase_id, booking.ends_at.astimezone(ZONE)) in shown


def test_the_hours_at_the_site_leave_out_the_drive(job, crew):
    Job.objects.update(drive_minutes=50)  # a whole hour, in quarters
    row = Booking.objects.filter(crew=crew, is_live=True).order_by("starts_at").first()
    Booking.objects.exclude(pk=row.pk).delete()  # a crew is nowhere twice
    Booking.objects.filter(pk=row.pk).update(
        starts_at=MONDAY.replace(hour=0), ends_at=MONDAY + timedelta(days=3)
    )

    found = crew_week(crew=crew, now=MONDAY).today.rows[0]

    # Shifts of the factory are 7:00 to 15:30.
    assert (found.begins_at.hour, found.ends_at.hour, found.ends_at.minute) == (8, 14, 30)


def test_no_crew_reads_the_work_of_another(job, crew):
    other = CrewFactory(name="Strangers")

    assert not crew_week(crew=other, now=MONDAY).phases
    client = _enrolled(other)
    for row in Phase.objects.filter(job=job):
        page = client.get(reverse("phone:phase", args=[row.pk]))
        assert page.status_code == HTTPStatus.NOT_FOUND
        assert job.site_address not in page.content.decode()


def test_digging_with_a_live_ticket_is_next_in_turn_and_then_cleared(job, crew):
    assert _row(crew_week(crew=crew, now=MONDAY), "DIG").state is RowState.IN_TURN

    finish(job, "LAYOUT", at=booked(job, "LAYOUT").ends_at)

    row = _row(crew_week(crew=crew, now=MONDAY), "DIG")
    assert (row.state, row.waits) == (RowState.CLEARED, ())
    assert row.tickets[0].is_live
    assert "Tue Jun 30, 2026" in row.tickets[0].words


def test_digging_without_a_live_ticket_is_held(job, crew):
    finish(job, "LAYOUT", at=booked(job, "LAYOUT").ends_at)
    LocateTicket.objects.all().delete()

    row = _row(crew_week(crew=crew, now=MONDAY), "DIG")

    assert row.state is RowState.WAITS
    assert row.holds[0].startswith("No digging before the locate ticket is live")


def test_a_ticket_that_ends_before_the_digging_does_holds_it(job, crew):
    finish(job, "LAYOUT", at=booked(job, "LAYOUT").ends_at)
    LocateTicket.objects.update(expires_on=MONDAY.date())
    tuesday = MONDAY + timedelta(days=1)
    Booking.objects.exclude(phase=phase(job, "DIG")).delete()  # a crew is nowhere twice
    Booking.objects.filter(phase=phase(job, "DIG")).update(
        starts_at=MONDAY.replace(hour=8), ends_at=tuesday.replace(hour=12)
    )

    row = _row(crew_week(crew=crew, now=MONDAY), "DIG")

    assert row.holds == ("No digging on Tue Jun 2, 2026: no locate ticket is live on that day.",)
    assert not row.tickets[0].is_live


def test_concrete_waits_until_the_inspector_has_signed(job, crew):
    finish(job, "LAYOUT", "DIG", at=booked(job, "DIG").ends_at)
    pour = booked(job, "POUR")
    now = pour.starts_at
    visit = asked(job, "HOLE_INSPECTION", now=booked(job, "DIG").ends_at)

    row = _row(crew_week(crew=pour.crew, now=now), "POUR")

    assert row.state is RowState.WAITS
    assert row.holds[0].startswith("No concrete before the inspector signs: Hole inspection asked")
    assert row.after == ()  # told once
    assert visit in row.visits

    finish(job, "HOLE_INSPECTION", at=now)
    assert _row(crew_week(crew=pour.crew, now=now), "POUR").state is RowState.CLEARED


def test_work_of_another_crew_that_must_come_before_is_named(job, crew):
    booking = booked(job, "FRAME")
    finish(job, "LAYOUT", "DIG", "HOLE_INSPECTION", "POUR", at=booked(job, "POUR").ends_at)
    other = CrewFactory(name="Post setters")
    Booking.objects.filter(phase=phase(job, "POSTS")).update(crew=other)
    now = booking.starts_at

    row = _row(crew_week(crew=booking.crew, now=now), "FRAME")

    assert row.state is RowState.WAITS
    assert "set posts by Post setters" in row.after[0]


def test_stopped_work_says_by_what_and_until_when(job, crew):
    dig = phase(job, "DIG")
    take_report(
        report=NewReport(
            id=uuid4(),
            phase_id=dig.pk,
            kind="STOPPED",
            made_at=MONDAY,
            crew_id=crew.pk,
            stopped_by="EQUIPMENT",
            stopped_until=MONDAY + timedelta(days=1),
        ),
        who=OFFICE,
        now=MONDAY,
    )

    assert _row(crew_week(crew=crew, now=MONDAY), "DIG").state is RowState.STOPPED


def test_weather_that_stops_todays_work_comes_first(job, crew):
    area = WeatherAreaFactory()
    finish(job, "LAYOUT", at=booked(job, "LAYOUT").ends_at)
    dig = booked(job, "DIG")
    # The starter limit of digging is 0.5 in of rain in a day.
    tell(area, dig.starts_at.astimezone(ZONE).date(), rain_in=0.2)

    rows = crew_week(crew=crew, now=dig.starts_at).today.rows
    row = next(row for row in rows if row.row.phase.code == "DIG")

    assert (row.state_words, row.tone) == ("Weather stops it today", "waits")
    assert "rain" in row.weather.why


def test_days_off_lent_people_and_time_set_aside_are_told(job, crew):
    friday = date(2026, 6, 5)
    DayOffFactory(first_day=friday, reason="Fair")
    other = Crew.objects.exclude(pk=crew.pk).first()
    LentPeople.objects.create(
        from_crew=crew, to_crew=other, people=1, first_day=friday, last_day=friday, note="Bo"
    )
    SetAside.objects.create(
        crew=crew,
        kind="CALLBACK",
        job=job,
        starts_at=MONDAY.replace(day=4, hour=13),
        ends_at=MONDAY.replace(day=4, hour=15),
    )

    found = crew_week(crew=crew, now=MONDAY)

    assert _day(found, friday).off == "Fair"
    assert (_day(found, friday).people, _day(found, friday).people_note) == (
        3,
        f"1 with {other} (Bo)",
    )
    assert [row.kind for row in _day(found, date(2026, 6, 4)).aside] == ["CALLBACK"]
    saturday = date(2026, 6, 6)
    assert saturday not in [day.on for day in found.later]


def test_work_that_was_to_end_before_today_is_todays(job, crew):
    first = Booking.objects.filter(crew=crew, is_live=True).order_by("starts_at").first()
    later = first.ends_at + timedelta(days=1)

    row = _row(crew_week(crew=crew, now=later), first.phase.code)

    assert row.is_late
    assert row.days == (later.astimezone(ZONE).date(),)


def test_a_job_that_was_put_on_hold_is_not_worked_on(job, crew):
    Job.objects.update(status=Job.Status.ON_HOLD)

    rows = crew_week(crew=crew, now=MONDAY).phases

    assert rows
    assert all(row.holds == ("The job is on hold. Ask the office.",) for row in rows)


def test_the_machine_is_told_with_who_has_it_next(job, crew):
    other = CrewFactory(name="Diggers two")
    dig = booked(job, "DIG")
    machine = dig.equipment.get()
    later = dig.ends_at + timedelta(days=2)
    second = make_job()
    row = Booking.objects.create(
        plan=dig.plan,
        phase=phase(second, "DIG"),
        crew=other,
        starts_at=later,
        ends_at=later + timedelta(hours=4),
        work_hours=4,
        because="",
        because_kind="",
        is_live=True,
    )
    row.equipment.add(machine)

    words = _row(crew_week(crew=crew, now=MONDAY), "DIG").machines[0]

    assert words.startswith(f"{machine}: Diggers two has it next, job {second.number}")


def test_the_page_shows_the_gate_and_the_buyer_only_where_the_office_allows(job, crew):
    Job.objects.update(gate_code="4471#", buyer_name="Hester Pruitt", buyer_phone="555-0144")
    page = crew_phase(crew=crew, phase_id=phase(job, "DIG").pk, now=MONDAY)
    assert page is not None
    client = _enrolled(crew)
    address = reverse("phone:phase", args=[phase(job, "DIG").pk])

    words = client.get(address).content.decode()
    assert "4471#" in words
    assert "Hester Pruitt" not in words
    assert "555-0144" not in words

    Job.objects.update(crew_may_call_buyer=True)
    words = client.get(address).content.decode()
    assert 'href="tel:555-0144"' in words


def test_text_of_the_office_is_never_markup(job, crew):
    Job.objects.update(gate_code='<script>"x"</script>', site_town="<b>Town</b>")

    page = _enrolled(crew).get(reverse("phone:phase", args=[phase(job, "DIG").pk]))

    assert b"<script>" not in page.content
    assert b"<b>Town" not in page.content


def test_the_map_takes_the_place_where_it_is_known_and_else_the_address(job, crew):
    row = crew_phase(crew=crew, phase_id=phase(job, "DIG").pk, now=MONDAY)
    assert (
        row.geo_uri
        == f"geo:0,0?q={job.site_address.replace(' ', '%20')}%2C%20Millbrook%20Corner%2C%20OH"
    )

    Job.objects.update(site_latitude_deg=40.25, site_longitude_deg=-82.5)

    # RFC 5870, section 3.3: latitude first, decimal degrees, no blanks.
    row = crew_phase(crew=crew, phase_id=phase(job, "DIG").pk, now=MONDAY)
    assert row.geo_uri.partition("?")[0] == "geo:40.250000,-82.500000"


@pytest.mark.parametrize(
    ("place", "asked"),
    [(None, "Road%2C%20Millbrook%20Corner%2C%20OH"), ((40.25, -82.5), "40.250000%2C-82.500000")],
)
def test_which_map_on_the_web_is_the_firms_choice(job, crew, settings, place, asked):
    settings.MAP_URL = "https://maps.example/?q={where}&z=16"
    if place:
        Job.objects.update(site_latitude_deg=place[0], site_longitude_deg=place[1])

    row = crew_phase(crew=crew, phase_id=phase(job, "DIG").pk, now=MONDAY)

    assert row.map_url.startswith("https://maps.example/?q=")
    assert row.map_url.endswith(f"{asked}&z=16")


@pytest.mark.usefixtures("on_monday")
def test_without_a_map_on_the_web_the_phones_own_is_left(job, crew, settings):
    settings.MAP_URL = ""

    page = _enrolled(crew).get(f"/phone/phases/{phase(job, 'DIG').pk}/").content.decode()

    assert 'href="geo:0,0?q=' in page
    assert "Map on the web" not in page


@pytest.mark.usefixtures("on_monday")
@pytest.mark.parametrize(("foundation", "told"), [("POURED_PIER", True), ("PRECAST_PIER", False)])
def test_a_collar_of_concrete_is_told_of_poured_piers_only(job, crew, foundation, told):
    Job.objects.filter(pk=job.pk).update(foundation=foundation)

    page = _enrolled(crew).get(f"/phone/phases/{phase(job, 'DIG').pk}/").content.decode()

    assert "48 in deep, pad 6 in" in page
    assert ("collar 18 in" in page) is told


@pytest.mark.usefixtures("on_monday")
def test_people_are_told_by_name_today_where_they_are_known(job, crew):
    client = _enrolled(crew)
    assert "Ina, Corbin" not in client.get("/phone/").content.decode()

    Crew.objects.filter(pk=crew.pk).update(people_by_name="Dell, Ina, Corbin")

    assert client.get("/phone/").content.decode().count("Dell, Ina, Corbin") == 1


def test_notes_and_photos_of_earlier_days_are_shown_and_what_was_taken_back_is_not(job, crew):
    dig = phase(job, "DIG")
    kept, wrong = uuid4(), uuid4()
    told = {"phase_id": dig.pk, "crew_id": crew.pk}
    for report in (
        NewReport(id=kept, kind="NOTE", made_at=MONDAY, note="Rock at the back", **told),
        NewReport(id=wrong, kind="NOTE", made_at=MONDAY, note="Wrong job", **told),
        NewReport(
            id=uuid4(),
            kind="CORRECTION",
            made_at=MONDAY + timedelta(minutes=1),
            corrects_id=wrong,
            corrected_kind="VOID",
            **told,
        ),
    ):
        take_report(report=report, who=OFFICE, now=MONDAY + timedelta(minutes=2))

    assert [note.note for note in told_before(job).notes] == ["Rock at the back"]


def test_a_photo_opens_to_crews_of_its_site_only(job, crew, settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    dig, report = phase(job, "DIG"), uuid4()
    note = NewReport(id=report, phase_id=dig.pk, kind="NOTE", made_at=MONDAY, note="Seen")
    take_report(report=note, who=OFFICE, now=MONDAY)
    picture = BytesIO()
    Image.new("RGB", (40, 30), "green").save(picture, "JPEG")
    photo, _ = add_photo(report_id=report, data=picture.getvalue(), who=OFFICE, now=MONDAY)
    address = reverse("phone:photo", args=[photo.pk])

    shown = _enrolled(crew).get(address)

    assert shown.headers["Content-Type"] == "image/jpeg"
    assert Image.open(BytesIO(shown.content)).size == (40, 30)
    assert _enrolled(CrewFactory()).get(address).status_code == HTTPStatus.NOT_FOUND


def test_the_number_of_queries_does_not_grow_with_the_jobs():
    make_firm(crews=1)
    crew = Crew.objects.get()
    cover_digging(make_job())
    publish()
    with CaptureQueriesContext(
        connection,
    ) as few:
        crew_week(crew=crew, now=MONDAY)
    for _ in range(3):
        cover_digging(make_job())
    publish(MONDAY + timedelta(minutes=1))

    with CaptureQueriesContext(connection) as many:
        found = crew_week(crew=crew, now=MONDAY)

    assert len({row.job.pk for row in found.phases}) > 1
    assert len(many) <= len(few)


def test_material_is_told_until_all_of_it_is_there(job, crew):
    Delivery.objects.filter(job=job, item="POSTS").update(
        arrived_on=None, promised_on=date(2026, 6, 3)
    )
    booking = booked(job, "POSTS")

    row = _row(crew_week(crew=booking.crew, now=booking.starts_at), "POSTS")

    assert [line.words for line in row.deliveries if line.is_open] == [
        "Posts: promised for Wed Jun 3"
    ]
    assert any(words.startswith("No setting of posts before the material") for words in row.holds)


def test_material_that_comes_for_others_is_told_on_its_day(job, crew):
    Delivery.objects.filter(job=job, item="STEEL").update(
        arrived_on=None, promised_on=MONDAY.date(), quantity="2 bundles"
    )

    rows = crew_week(crew=crew, now=MONDAY).today.rows

    told = [row.coming for row in rows if row.row.job == job]
    words = "Steel and trim (2 bundles): promised for Mon Jun 1"
    assert told == [[words], *([[]] * (len(told) - 1))]


@pytest.mark.parametrize(
    ("day", "hour"), [(date(2026, 3, 8), 7), (date(2026, 11, 1), 7), (date(2026, 12, 31), 7)]
)
def test_hours_are_the_sites_in_weeks_in_which_clocks_change(day, hour):
    # Clocks change on the second Sunday of March and the first of November: 15 U.S.C. 260a.
    make_firm(crews=1)
    crew = Crew.objects.get()
    week = crew.work_hours
    week.sunday = week.saturday = week.monday
    week.save()
    job = make_job(drive_minutes=0)
    begins = datetime(day.year, day.month, day.day, hour, tzinfo=ZONE)
    plan = publish_nothing()
    Booking.objects.create(
        plan=plan,
        phase=phase(job, "LAYOUT"),
        crew=crew,
        starts_at=begins,
        ends_at=begins + timedelta(days=2),
        work_hours=17,
        because="",
        because_kind="",
        is_live=True,
    )

    found = crew_week(crew=crew, now=begins)

    worked = [(row.begins_at, row.ends_at) for d in found.days for row in d.rows]
    assert [(b.hour, e.hour, e.minute) for b, e in worked[:2]] == [(7, 15, 30), (7, 15, 30)]
    assert worked[0][0].date() == day


def publish_nothing():
    return Plan.objects.create(
        status="PUBLISHED", as_of=MONDAY, made_at=MONDAY, published_at=MONDAY, source="", seconds=0
    )
