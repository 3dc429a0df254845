"""The look-ahead: the right work on the right day, as page and on letter paper."""

from datetime import date, datetime, time, timedelta
from io import BytesIO
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from pypdf import PdfReader

from crews.models import Crew
from jobs.drawing.look_ahead import Entry, LookAhead, Row, Week, look_ahead_pdf
from jobs.models import Booking, LentPeople, SetAside
from jobs.selectors.look_ahead import CAUTION, first_monday, look_ahead
from tests.factories import DayOffFactory, DeliveryFactory, WeatherAreaFactory
from tests.service.inspecting import asked, booked, finish, publish, published_job
from tests.service.portfolio import MONDAY, ZONE, cover_digging, make_firm, make_job
from tests.service.weather_hours import tell

pytestmark = pytest.mark.django_db

PAGE = "desk:look_ahead"
PDF = "desk:look_ahead_pdf"
# Juneteenth, 5 U.S.C. 6103(a): the one holiday of these weeks.
HOLIDAY = date(2026, 6, 19)
# ANSI A, the letter size: 11 × 8.5 in at 72 points (from memory).
LETTER_LANDSCAPE_PT = (792, 612)


def sheet(now: datetime = MONDAY, monday: date | None = None) -> LookAhead:
    found = look_ahead(now=now, monday=monday)
    assert found is not None
    return found


def entries(found: LookAhead, name: str) -> dict[date, tuple[Entry, ...]]:
    """Return what a row says of each day, over all weeks."""
    return {
        day: cell
        for week in found.weeks
        for row in week.rows
        if row.name == name
        for day, cell in zip(week.days, row.cells, strict=True)
    }


def days_worked(booking: Booking) -> set[date]:
    """Return the days on which a booking has working time, walked quarter hour by quarter hour."""
    moment, found = booking.starts_at.astimezone(ZONE), set()
    while moment < booking.ends_at:
        open_day = moment.weekday() < 5 and moment.date() != HOLIDAY
        if open_day and time(7) <= moment.time() < time(15, 30):
            found.add(moment.date())
        moment += timedelta(minutes=15)
    return found


def pdf_words(pdf: bytes) -> str:
    return " ".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages)


def test_each_crew_has_its_work_on_the_days_it_works_and_no_other():
    crews = make_firm()
    for _ in range(4):
        cover_digging(make_job())
    publish()

    found = sheet()

    days = [day for week in found.weeks for day in week.days]
    for crew in crews:
        shown = {
            (day, entry.what, entry.where.split()[0])
            for day, cell in entries(found, crew.name).items()
            for entry in cell
            if day != HOLIDAY
        }
        assert entries(found, crew.name)[HOLIDAY] == (
            Entry("Off", "Juneteenth National Independence Day"),
        )
        rows = Booking.objects.filter(crew=crew, is_live=True).select_related("phase__job")
        walked = {
            (day, row.phase.get_code_display(), row.phase.job.number)
            for row in rows
            for day in days_worked(row)
            if day in days
        }
        assert shown == walked
        assert shown


def test_it_begins_this_week_and_from_friday_on_the_next():
    assert first_monday(date(2026, 6, 1)) == date(2026, 6, 1)
    assert first_monday(date(2026, 6, 4)) == date(2026, 6, 1)
    assert first_monday(date(2026, 6, 5)) == date(2026, 6, 8)
    assert first_monday(date(2026, 6, 7)) == date(2026, 6, 8)


def test_visits_deliveries_and_days_off_are_on_it():
    job = published_job()
    finish(job, "LAYOUT", "DIG", at=MONDAY + timedelta(hours=6))
    asked(job, "HOLE_INSPECTION", now=MONDAY + timedelta(hours=6))
    job.deliveries.all().delete()
    DeliveryFactory(job=job, promised_on=date(2026, 6, 10), supplier="Ridge Trusses")
    crew = Crew.objects.earliest("pk")
    DayOffFactory(crew=crew, first_day=date(2026, 6, 12), reason="Dentist")

    found = sheet(now=MONDAY + timedelta(hours=7))

    visit = booked(job, "HOLE_INSPECTION").starts_at.astimezone(ZONE).date()
    (inspection,) = entries(found, "Inspections")[visit]
    assert "requested" in inspection.note
    (delivery,) = entries(found, "Deliveries")[date(2026, 6, 10)]
    assert (delivery.what, delivery.where, delivery.note) == ("Trusses", job.number, "to confirm")
    assert entries(found, crew.name)[date(2026, 6, 12)] == (Entry("Off", "Dentist"),)
    (block,) = found.jobs
    assert any(line.who == "Ridge Trusses" for line in block.lines)


def test_a_dig_shows_its_locate_ticket():
    published_job()

    (block,) = sheet().jobs

    ticket = next(line for line in block.lines if line.what.startswith("Locate ticket"))
    assert "runs out Tue Jun 30" in ticket.when


def test_weather_that_stops_work_is_told_on_its_day():
    published_job()
    area = WeatherAreaFactory()
    begins = Booking.objects.get(is_live=True, phase__code="DIG").starts_at.astimezone(ZONE).date()
    tell(area, begins, rain_in=0.3)

    found = sheet()

    notes = [
        entry.note
        for row in found.weeks[0].rows
        for cell in row.cells
        for entry in cell
        if entry.what == "Dig holes"
    ]
    assert any("weather stops it" in note for note in notes)


def test_lent_people_and_time_set_aside_are_told():
    published_job()
    one, other = Crew.objects.order_by("pk")
    LentPeople.objects.create(
        from_crew=one, to_crew=other, first_day=date(2026, 6, 17), last_day=date(2026, 6, 17)
    )
    SetAside.objects.create(
        crew=one,
        kind="SHOP",
        starts_at=datetime(2026, 6, 18, 7, tzinfo=ZONE),
        ends_at=datetime(2026, 6, 18, 12, tzinfo=ZONE),
        note="Build headers",
    )

    found = sheet()

    assert entries(found, one.name)[date(2026, 6, 17)][0].what == f"-1 to {other.name}"
    assert entries(found, other.name)[date(2026, 6, 17)][0].what == f"+1 from {one.name}"
    assert entries(found, one.name)[date(2026, 6, 18)][0] == Entry(
        "Shop day", "Build headers", "7:00 to 12:00"
    )


def test_the_pdf_is_letter_paper_and_says_what_the_page_says():
    published_job(buyer_name="Zofia Łabędź")
    found = sheet()

    pdf = look_ahead_pdf(found)

    reader = PdfReader(BytesIO(pdf))
    assert {tuple(page.mediabox[2:]) for page in reader.pages} == {LETTER_LANDSCAPE_PT}
    words = pdf_words(pdf)
    for block in found.jobs:
        assert block.number in words
        assert block.title in words
    for row in found.weeks[0].rows:
        assert row.name in words
    assert CAUTION.split(".")[0] in words
    assert look_ahead_pdf(found) == pdf


def test_the_pdf_is_black_and_white():
    published_job()

    pages = PdfReader(BytesIO(look_ahead_pdf(sheet()))).pages

    for page in pages:
        painted = page.get_contents().get_data().decode("latin-1").split("\n")
        colors = [line.split()[:3] for line in painted if line.endswith((" rg", " RG"))]
        assert all(len(set(color)) == 1 for color in colors)


def test_a_day_with_more_than_a_page_of_deliveries_is_printed_whole():
    many = tuple(Entry(f"Item {n}", "26-001", "to confirm") for n in range(80))
    week = Week(days=(date(2026, 6, 1),), rows=(Row("Deliveries", "", (many,)),))
    found = LookAhead("A title", "A plan", "Made now", (week,), (), CAUTION)

    words = pdf_words(look_ahead_pdf(found))

    assert all(f"Item {n}" in words for n in range(80))


def test_no_row_is_cut_by_the_end_of_a_page():
    """Found by looking: a row that did not fit was cut within a line, its head printed again."""
    days = tuple(date(2026, 6, 1) + timedelta(days=n) for n in range(5))
    rows = []
    for n in range(12):
        cell = tuple(
            Entry("Walk doors, windows, sliding doors", f"26-0{n:02d} Town", f"begins {n}.{m}")
            for m in range(1 + n % 4)
        )
        rows.append(Row(f"Crew {n}", "A lead, 555-0100", (cell, (), (), (), cell)))
    found = LookAhead("A title", "A plan", "Made now", (Week(days, tuple(rows)),), (), CAUTION)

    pages = PdfReader(BytesIO(look_ahead_pdf(found))).pages

    told = [page.extract_text() for page in pages]
    assert len(told) > 3
    for words in told[:-1]:
        # The head stands once on a page, and each crew with all its work.
        assert words.count("Tue Jun 2") == 1
        for n in range(12):
            if f"Crew {n}\n" in words:
                last = f"begins {n}.{n % 4}\n"
                assert words.count(last) == 2


def test_page_and_pdf_open_to_office_and_owner_only(
    client: Client, office: Any, owner: Any, stranger: Any, on_monday: None
):
    published_job()
    for user in (office, owner):
        client.force_login(user)
        assert client.get(reverse(PAGE)).status_code == 200
        answer = client.get(reverse(PDF), {"from": "2026-06-01"})
        assert answer["Content-Type"] == "application/pdf"
        assert answer.content.startswith(b"%PDF")
    client.force_login(stranger)
    assert client.get(reverse(PAGE)).status_code == 302
    assert client.get(reverse(PDF)).status_code == 302


@pytest.mark.parametrize("asked_for", ["", "nonsense", "9999-12-31", "0001-01-01", "2026-06-10"])
def test_any_week_that_is_asked_for_gives_a_page(
    client: Client, office: Any, on_monday: None, asked_for: str
):
    published_job()
    client.force_login(office)

    assert client.get(reverse(PAGE), {"from": asked_for}).status_code == 200


def test_without_a_published_plan_it_says_so(client: Client, office: Any, on_monday: None):
    client.force_login(office)

    assert "Nothing is published" in client.get(reverse(PAGE)).content.decode()
    assert client.get(reverse(PDF)).status_code == 404


def queries(now: datetime = MONDAY) -> int:
    with CaptureQueriesContext(connection) as seen:
        sheet(now)
    return len(seen)


def test_its_queries_do_not_grow_with_the_rows():
    make_firm()
    for _ in range(2):
        cover_digging(make_job())
    publish()
    few = queries()
    for _ in range(5):
        cover_digging(make_job())
    publish(MONDAY + timedelta(minutes=1))

    assert queries() == few
