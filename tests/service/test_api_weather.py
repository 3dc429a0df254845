"""Weather, stopped crews and sites through the API."""

from datetime import date, timedelta
from typing import Any

import pytest

from inspections.models import SiteShot
from jobs.models import Phase
from jobs.services import planning, publishing
from tests.factories import WeatherAreaFactory
from tests.service.api import ROOT, reader
from tests.service.portfolio import MONDAY, cover_digging, make_firm, make_job
from tests.service.weather_hours import tell

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


def test_weather_is_told_by_area_day_and_kind_of_work(owner: Any):
    area = WeatherAreaFactory(name="Harrow Plain", counties="Harrow County OH")
    tell(area, MONDAY.date(), days=2)
    tell(area, MONDAY.date(), wind_mph=22)

    body = reader(owner).get(ROOT + "weather/").json()

    (told,) = body["results"]
    assert (told["name"], told["counties"]) == ("Harrow Plain", ["Harrow County OH"])
    assert [row["day"] for row in told["days"]][:2] == ["2026-06-01", "2026-06-02"]
    by_gate = {row["gate"]: row for row in told["days"][0]["verdicts"]}
    assert by_gate["TRUSS"] == {
        "gate": "TRUSS",
        "level": "STOP",
        "reasons": ["wind 22 mph, limit 20"],
        "stopped_hours": 10.0,
    }
    assert by_gate["WALL"]["level"] == "CAUTION"
    assert told["days"][6]["verdicts"][0]["level"] is None


def test_stopped_crews_are_told_with_other_work(owner: Any):
    make_firm(crews=1)
    job = make_job(number="26-900")
    cover_digging(job)
    before = ("LAYOUT", "DIG", "HOLE_INSPECTION", "POUR", "POSTS", "FRAME")
    done = {"status": "DONE", "done_at": MONDAY - timedelta(days=3)}
    Phase.objects.filter(job=job, code__in=before).update(**done)
    indoor = make_job(number="26-901", wall_lining="STEEL", liner_gauge=29)
    Phase.objects.filter(job=indoor).exclude(
        code__in=("LINER", "PUNCH", "FINAL_INSPECTION")
    ).update(**done)
    plan = planning.plan_now(now=MONDAY, budget_seconds=0)
    publishing.publish(plan_id=plan.pk, now=MONDAY)
    area = WeatherAreaFactory()
    tell(area, MONDAY.date(), days=9, wind_mph=31)

    rows = reader(owner).get(ROOT + "stopped-crews/").json()["results"]

    assert rows[0]["stopped"] == [
        {"job": "26-900", "phase": "TRUSSES", "part": 1, "why": "wind 31 mph, limit 20"}
    ]
    assert {"job": "26-901", "phase": "LINER"}.items() <= rows[0]["offers"][0].items()
    assert rows[0]["offers"][0]["under_cover"] is True


def test_a_job_tells_its_site(owner: Any):
    make_firm()
    job = make_job(number="26-700")
    places = ("FRONT_LEFT", "FRONT_RIGHT", "BACK_RIGHT", "BACK_LEFT")
    for place, reading in zip(places, (4.0, 4.5, 5.4, 4.8), strict=True):
        SiteShot.objects.create(
            job=job, place=place, reading_ft=reading, taken_on=date(2026, 5, 27)
        )

    site = reader(owner).get(ROOT + "jobs/26-700/").json()["site"]

    assert (site["ready"], site["fall_in"], site["high_point"]) == (False, 16.8, "FRONT_LEFT")
    assert [corner["place"] for corner in site["corners"]] == list(places)
    assert len(site["shots"]) == 4


def test_a_site_without_shots_is_null(owner: Any):
    make_firm()
    make_job(number="26-700")

    assert reader(owner).get(ROOT + "jobs/26-700/").json()["site"] is None
