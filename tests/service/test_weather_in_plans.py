"""What weather does to plans: stopped days, the allowance of the months, and what is told of it."""

from datetime import date, datetime, timedelta

import pytest

from jobs.models import Booking, Delivery, Job, Phase, PlannedWait
from jobs.services import planning
from tests.factories import WeatherAreaFactory
from tests.service.portfolio import MONDAY, ZONE, cover_digging, make_firm, make_job
from tests.service.weather_hours import tell

pytestmark = pytest.mark.django_db

TODAY = MONDAY.date()
JULY_RAIN = "0 0 0 0 0 10 0 0 0 0 0 0"


def framed_job(**columns: object) -> Job:
    """Return a job whose next phase is trusses."""
    job = make_job(**columns)
    cover_digging(job)
    done = {"status": "DONE", "done_at": MONDAY - timedelta(days=3)}
    before = ("LAYOUT", "DIG", "HOLE_INSPECTION", "POUR", "POSTS", "FRAME")
    Phase.objects.filter(job=job, code__in=before).update(**done)
    return job


def planned(code: str, *, now: datetime = MONDAY) -> Booking:
    plan = planning.plan_now(now=now, budget_seconds=0)
    return plan.bookings.get(phase__code=code)


def local_day(moment: datetime) -> date:
    return moment.astimezone(ZONE).date()


def test_without_areas_weather_takes_nothing():
    make_firm()
    framed_job()

    booking = planned("TRUSSES")

    assert local_day(booking.starts_at) == TODAY
    assert "eather" not in booking.because


def test_a_windy_day_moves_the_trusses_and_says_so():
    make_firm()
    framed_job()
    area = WeatherAreaFactory()
    tell(area, TODAY, days=3)
    tell(area, TODAY, wind_mph=28)

    booking = planned("TRUSSES")

    assert local_day(booking.starts_at) == TODAY + timedelta(days=1)
    assert booking.because.startswith("Weather stops Mon Jun 1 (wind 28 mph, limit 20). ")
    wait = PlannedWait.objects.get(kind="WEATHER")
    assert wait.before_code == "TRUSSES"
    assert wait.basis == "weather stops set trusses and purlins: wind 28 mph, limit 20"
    assert local_day(wait.starts_at) == local_day(wait.ends_at) == TODAY


def test_a_stop_in_the_middle_pauses_the_phase():
    make_firm()
    job = framed_job()
    Phase.objects.filter(job=job, code="TRUSSES").update(office_hours=4 * 20)
    clear = planned("TRUSSES")
    area = WeatherAreaFactory()
    tell(area, TODAY, days=7)
    tell(area, TODAY + timedelta(days=1), wind_mph=28)

    booking = planned("TRUSSES")

    assert booking.starts_at == clear.starts_at
    assert booking.ends_at == clear.ends_at + timedelta(days=1)
    assert PlannedWait.objects.filter(plan=booking.plan, kind="WEATHER").count() == 1


def test_indoor_work_goes_on_in_a_storm():
    make_firm()
    job = make_job(
        wall_lining="STEEL", liner_gauge=29, insulation="BATTS", foundation="PRECAST_PIER"
    )
    Phase.objects.filter(job=job).exclude(code__in=("LINER", "PUNCH", "FINAL_INSPECTION")).update(
        status="DONE", done_at=MONDAY - timedelta(days=3)
    )
    area = WeatherAreaFactory()
    tell(area, TODAY, days=7, wind_mph=60, rain_in=0.5, gust_mph=80)

    assert local_day(planned("LINER").starts_at) == TODAY


def test_mud_keeps_the_auger_off_longer_in_clay():
    make_firm()
    area = WeatherAreaFactory(mud_days_good=1, mud_days_hard=3)
    tell(area, TODAY - timedelta(days=1), days=7)
    tell(area, TODAY - timedelta(days=1), rain_in=0.05)
    starts = {}
    for soil in ("GOOD", "HARD"):
        job = make_job(soil=soil, foundation="PRECAST_PIER")
        cover_digging(job)
        plan = planning.plan_now(now=MONDAY, budget_seconds=0)
        starts[soil] = local_day(plan.bookings.get(phase__job=job, phase__code="DIG").starts_at)
        job.status = "ON_HOLD"
        job.save()

    assert starts["GOOD"] == TODAY + timedelta(days=1)
    assert starts["HARD"] == TODAY + timedelta(days=3)


def test_a_county_that_no_area_names_is_in_the_default_area():
    make_firm()
    framed_job(site_county="Oxbow County")
    other = WeatherAreaFactory(is_default=False, counties="Oxbow County OH")
    tell(other, TODAY, days=4)
    tell(other, TODAY, wind_mph=40)
    default = WeatherAreaFactory()
    tell(default, TODAY, days=4)

    assert local_day(planned("TRUSSES").starts_at) == TODAY + timedelta(days=1)


def test_beyond_the_forecast_each_day_keeps_the_allowance_of_its_month():
    """10 of June's 30 days over 0.25 in × 0.8 = 27 % of each day; our own arithmetic."""
    make_firm()
    framed_job()
    clear = planned("TRUSSES")
    WeatherAreaFactory(rain_days_025=JULY_RAIN)

    booking = planned("TRUSSES")

    assert booking.starts_at == clear.starts_at
    assert booking.ends_at > clear.ends_at
    assert booking.because.startswith("With ")
    assert "h of weather allowance" in booking.because


def test_known_days_keep_no_allowance():
    make_firm()
    framed_job()
    clear = planned("TRUSSES")
    tell(WeatherAreaFactory(rain_days_025=JULY_RAIN), TODAY, days=7)

    assert planned("TRUSSES").ends_at == clear.ends_at


def test_the_same_facts_an_hour_later_give_the_same_dates():
    make_firm()
    job = framed_job()
    Delivery.objects.filter(job=job, item="TRUSSES").update(
        arrived_on=None, promised_on=date(2026, 6, 9)
    )
    area = WeatherAreaFactory(rain_days_025=JULY_RAIN)
    tell(area, TODAY, days=7)
    tell(area, TODAY + timedelta(days=2), wind_mph=28)

    dates = [
        list(
            planning.plan_now(now=MONDAY + timedelta(hours=hours), budget_seconds=0)
            .bookings.order_by("phase__sequence")
            .values_list("phase__code", "starts_at", "ends_at")
        )
        for hours in (0, 1, 9)
    ]

    assert dates[0] == dates[1] == dates[2]


def test_a_slab_by_an_outside_trade_keeps_its_gate():
    make_firm()
    job = make_job(slab_in=5)
    Phase.objects.filter(job=job).exclude(code__in=("SLAB", "PUNCH", "FINAL_INSPECTION")).update(
        status="DONE", done_at=MONDAY - timedelta(days=3)
    )
    area = WeatherAreaFactory()
    tell(area, TODAY, days=4)
    tell(area, TODAY, rain_in=0.2)

    assert local_day(planned("SLAB").starts_at) == TODAY + timedelta(days=1)
