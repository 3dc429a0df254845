"""Pins: kept where the rules allow, refused with the nearest date where they do not."""

from datetime import datetime, timedelta

import pytest

from jobs.models import Booking, Phase
from jobs.services import pinning, planning
from tests.factories import WeatherAreaFactory
from tests.service.portfolio import MONDAY, ZONE, cover_digging, make_firm, make_job
from tests.service.weather_hours import tell

pytestmark = pytest.mark.django_db


def test_a_pin_holds_its_phase_on_its_crew_and_day():
    crew = make_firm(crews=2)[1]
    job = make_job()
    layout = Phase.objects.get(job=job, code="LAYOUT")
    wanted = datetime(2026, 6, 10, 7, 30, tzinfo=ZONE)

    pinning.pin(phase_id=layout.pk, crew_id=crew.pk, starts_at=wanted, now=MONDAY)

    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    row = Booking.objects.get(plan=plan, phase=layout)
    assert (row.crew, row.starts_at, row.is_pinned) == (crew, wanted, True)


def test_a_pin_before_its_wait_is_refused_with_the_nearest_date():
    make_firm()
    job = make_job()
    posts = Phase.objects.get(job=job, code="POSTS")

    with pytest.raises(pinning.PinRefused) as refused:
        pinning.pin(
            phase_id=posts.pk,
            crew_id=None,
            starts_at=MONDAY + timedelta(hours=4),
            now=MONDAY,
        )

    nearest = refused.value.nearest_start_at
    assert nearest is not None
    assert nearest > MONDAY + timedelta(days=2)
    posts.refresh_from_db()
    assert posts.pinned_start_at is None
    pinning.pin(phase_id=posts.pk, crew_id=None, starts_at=nearest, now=MONDAY)


def test_a_pin_on_a_day_that_weather_stops_is_refused_with_the_weather():
    make_firm()
    job = make_job()
    area = WeatherAreaFactory()
    tell(area, MONDAY.date(), days=3)
    tell(area, MONDAY.date() + timedelta(days=1), wind_mph=40)
    done = ("LAYOUT", "DIG", "HOLE_INSPECTION", "POUR", "POSTS", "FRAME")
    Phase.objects.filter(job=job, code__in=done).update(
        status="DONE", done_at=MONDAY - timedelta(days=3)
    )
    trusses = Phase.objects.get(job=job, code="TRUSSES")

    with pytest.raises(
        pinning.PinRefused,
        match=r"weather stops set trusses and purlins on Tue Jun 2 \(wind 40 mph",
    ):
        pinning.pin(
            phase_id=trusses.pk, crew_id=None, starts_at=MONDAY + timedelta(days=1), now=MONDAY
        )


def test_a_pin_in_the_past_is_refused():
    make_firm()
    job = make_job()
    layout = Phase.objects.get(job=job, code="LAYOUT")

    with pytest.raises(pinning.PinRefused, match="lies in the past"):
        pinning.pin(
            phase_id=layout.pk, crew_id=None, starts_at=MONDAY - timedelta(days=1), now=MONDAY
        )


def test_an_unpinned_phase_moves_freely_again():
    make_firm()
    job = make_job()
    cover_digging(job)
    layout = Phase.objects.get(job=job, code="LAYOUT")
    pinning.pin(
        phase_id=layout.pk,
        crew_id=None,
        starts_at=datetime(2026, 6, 10, 7, 30, tzinfo=ZONE),
        now=MONDAY,
    )

    pinning.unpin(phase_id=layout.pk, now=MONDAY)

    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    assert Booking.objects.get(plan=plan, phase=layout).starts_at.astimezone(ZONE).day == 1
