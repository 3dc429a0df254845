"""A rain day in one press: the forecast's crews, the proposal, and who needs a call."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from contractor.trade.errors import SpecError
from contractor.trade.phases import PHASE_TABLE
from crews.models import DayOff
from inspections.models import Inspection
from inspections.selectors.stopped_work import crew_days
from jobs.models import Booking, FieldReport, Job, ReplanProposal, Slip
from jobs.selectors import plans
from jobs.selectors.calls import calls_for
from jobs.selectors.morning_desk import morning_desk
from jobs.selectors.rain_days import rain_days
from jobs.services import planning, rain
from tests.factories import WeatherAreaFactory
from tests.service.inspecting import asked, booked, finish, publish, published_job
from tests.service.portfolio import MONDAY, ZONE
from tests.service.weather_hours import tell

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]

RAIN = "desk:rain"
STORM = {"rain_in": 0.5, "gust_mph": 50.0, "wind_mph": 35.0}


@pytest.fixture
def job(db: None) -> Job:
    """A job whose holes are to be dug on Monday."""
    return published_job(number="26-001")


@pytest.fixture
def signed_in(client: Client, office: Any) -> Client:
    client.force_login(office)
    return client


def day_of(booking: Booking) -> date:
    return booking.starts_at.astimezone(ZONE).date()


def gated_bookings(job: Job) -> list[Booking]:
    """Return the job's bookings of crews whose work weather can stop."""
    rows = Booking.objects.filter(is_live=True, phase__job=job, crew__isnull=False)
    return [
        row
        for row in rows.select_related("phase").order_by("starts_at")
        if PHASE_TABLE[row.phase.code].weather_gate
    ]


def test_today_is_rained_off_by_one_press(signed_in: Client, job: Job):
    dig = booked(job, "DIG")
    assert day_of(dig) == MONDAY.date()
    page = signed_in.get(reverse(RAIN))
    (row,) = page.context["rows"]
    assert (row.row.crew, row.is_ticked) == (dig.crew, True)

    answer = signed_in.post(reverse(RAIN), {"day": "2026-06-01", "crew": row.row.crew.pk})

    proposal = ReplanProposal.objects.get()
    assert answer["Location"] == reverse("admin:jobs_replanproposal_change", args=[proposal.pk])
    assert FieldReport.objects.get(phase=dig.phase).stopped_by == "WEATHER"
    page = signed_in.get(answer["Location"]).content.decode()
    assert "Who needs a call" in page
    assert dig.crew.lead_name in page


def test_the_forecast_chooses_day_and_crews(signed_in: Client, job: Job):
    area = WeatherAreaFactory()
    frame = booked(job, "FRAME")
    tell(area, date(2026, 6, 1), days=10)
    tell(area, day_of(frame), **STORM)

    page = signed_in.get(reverse(RAIN))

    assert page.context["chosen"].day == day_of(frame)
    (row,) = page.context["rows"]
    assert row.row.why
    answer = signed_in.post(
        reverse(RAIN), {"day": day_of(frame).isoformat(), "crew": row.row.crew.pk}
    )
    proposal = ReplanProposal.objects.get()
    assert str(proposal.pk) in answer["Location"]
    assert "Frame walls 26-001" in proposal.reason
    moved = Booking.objects.get(plan=proposal.plan, phase=frame.phase)
    assert day_of(moved) != day_of(frame)
    assert not FieldReport.objects.exists()


def test_a_day_that_the_published_plan_leaves_out_needs_no_new_plan(signed_in: Client, job: Job):
    long = next(row for row in gated_bookings(job) if day_of(row) < row.ends_at.date())
    stormy = long.ends_at.astimezone(ZONE).date()
    area = WeatherAreaFactory()
    tell(area, date(2026, 6, 1), days=10)
    tell(area, stormy, **STORM)
    assert [row.is_left_out for row in crew_days(now=MONDAY)] == [False]
    assert morning_desk(now=MONDAY).weather

    publish(MONDAY + timedelta(minutes=1))

    assert booked(job, long.phase.code).ends_at > long.ends_at
    assert {row.is_left_out for row in crew_days(now=MONDAY)} == {True}
    assert morning_desk(now=MONDAY).weather == ()
    page = signed_in.get(reverse(RAIN), {"day": stormy.isoformat()})
    assert "The published plan leaves it out already" in page.content.decode()
    signed_in.post(reverse(RAIN), {"day": stormy.isoformat(), "crew": long.crew_id})
    assert not ReplanProposal.objects.exists()


def test_a_day_to_come_is_rained_off_for_the_crews_that_are_ticked(signed_in: Client, job: Job):
    frame = booked(job, "FRAME")
    day = day_of(frame)
    page = signed_in.get(reverse(RAIN), {"day": day.isoformat()})
    (row,) = page.context["rows"]
    assert (row.row.crew, row.row.why, row.is_ticked) == (frame.crew, "", False)

    for _ in range(2):
        signed_in.post(reverse(RAIN), {"day": day.isoformat(), "crew": frame.crew.pk})

    proposal = ReplanProposal.objects.get()
    assert "Frame walls 26-001" in proposal.reason
    moved = Booking.objects.get(plan=proposal.plan, phase=frame.phase)
    assert day_of(moved) > day
    off = DayOff.objects.get(crew=frame.crew)
    assert (off.first_day, off.last_day, off.reason) == (day, day, "Rained off")
    assert {slip.cause for slip in Slip.objects.filter(phase__job=job)} == {"WEATHER"}


@pytest.mark.parametrize("day", [date(2026, 5, 29), date(2026, 6, 1), date(2026, 6, 8)])
def test_only_the_next_days_can_be_rained_off_ahead(job: Job, day: date):
    with pytest.raises(SpecError, match="Enter a day from Jun 2 to Jun 7"):
        rain.coming_rain_day(day=day, crews=[booked(job, "DIG").crew_id or 0], now=MONDAY)
    assert not DayOff.objects.filter(crew__isnull=False).exists()


def test_a_day_to_come_that_nothing_stops_is_refused(job: Job):
    day = day_of(booked(job, "FRAME"))
    with pytest.raises(SpecError, match="enter the weather of the area"):
        rain.coming_rain_day(day=day, crews=[], now=MONDAY)


def test_no_crew_is_outdoors_on_a_weekend(job: Job):
    weekend = [one for one in rain_days(now=MONDAY) if one.day.weekday() >= 5]

    assert len(weekend) == 2
    assert not any(one.crews for one in weekend)


@pytest.mark.parametrize(
    "sent",
    [
        {},
        {"day": "2026-06-01"},
        {"day": "x", "crew": "1"},
        {"day": "2026-06-01", "crew": "x"},
        {"day": "2026-06-20", "crew": "1"},
        {"day": "2026-05-20", "crew": "1"},
    ],
)
def test_nonsense_proposes_nothing(signed_in: Client, job: Job, sent: dict[str, str]):
    answer = signed_in.post(reverse(RAIN), sent, follow=True)

    assert answer.status_code == 200
    assert not ReplanProposal.objects.exists()


def test_only_the_office_may(client: Client, owner: Any, stranger: Any, job: Job):
    client.force_login(owner)
    assert client.get(reverse(RAIN)).status_code == 403
    client.force_login(stranger)
    assert client.get(reverse(RAIN)).status_code == 302


def test_an_inspector_who_is_asked_for_gets_a_call_when_the_visit_moves(job: Job):
    noon = MONDAY + timedelta(hours=6)
    finish(job, "LAYOUT", "DIG", at=noon)
    visit = asked(job, "HOLE_INSPECTION", now=noon)
    published = plans.published_plan()
    Inspection.objects.filter(pk=visit.pk).update(
        visit_from=visit.visit_from + timedelta(days=2),
        visit_until=visit.visit_until + timedelta(days=2),
    )
    draft = planning.repair_now(reason="a test", now=noon).base
    assert draft is not None

    calls = calls_for(plan=draft, published=published, now=noon)

    (call,) = [call for call in calls if call.who == job.permit.authority.name]
    assert "it is requested" in call.lines[0]


def test_a_crew_whose_change_is_weeks_away_needs_no_call(job: Job):
    published = plans.published_plan()
    Job.objects.filter(pk=job.pk).update(earliest_start_on=None)
    later = booked(job, "PUNCH").phase
    later.pinned_start_at = booked(job, "PUNCH").starts_at + timedelta(days=7)
    later.save()
    draft = planning.repair_now(reason="a test", now=MONDAY).base
    assert draft is not None

    calls = calls_for(plan=draft, published=published, now=MONDAY)

    crew = booked(job, "PUNCH").crew
    assert crew is not None
    assert not any(call.who.startswith(crew.name) for call in calls)
