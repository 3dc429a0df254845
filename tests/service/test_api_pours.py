"""A job's concrete through the API: made and to come, with what waits for it."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inspections.models import PourReading, StrengthNeed
from jobs.models import Job
from tests.factories import PourFactory
from tests.service.api import ROOT, book, make_plan, morning, reader
from tests.service.portfolio import MONDAY, make_firm, make_job

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


def pours_of(user: Any, job: Job) -> list[dict[str, Any]]:
    response = reader(user).get(f"{ROOT}jobs/{job.number}/pours/")
    assert response.status_code == 200, response.content
    assert response.json()["job"] == job.number
    return response.json()["pours"]


def poured_job() -> Job:
    job = make_job(foundation="POURED_PIER")
    posts = job.phases.get(code="POSTS")
    pour = PourFactory(phase=posts, poured_at=MONDAY - timedelta(hours=48), mix_psi=4000)
    for hours in (30, 6):
        taken_at = pour.poured_at + timedelta(hours=hours)
        PourReading.objects.create(pour=pour, taken_at=taken_at, temp_degf=68)
    return job


def test_a_pour_tells_its_strength_and_when_each_phase_may_begin(owner: Any):
    make_firm()
    job = poured_job()
    StrengthNeed.objects.create(
        job=job,
        poured_phase="POSTS",
        following_phase="TRUSSES",
        strength_percent=55,
        stated_by="Sheet S-2",
    )

    (pour,) = pours_of(owner, job)

    assert (pour["phase"], pour["planned"], pour["cement"]) == ("POSTS", False, "I")
    assert [row["temp_degf"] for row in pour["readings"]] == [68, 68]
    assert [row["taken_at"] for row in pour["readings"]] == sorted(
        row["taken_at"] for row in pour["readings"]
    )
    assert 0.3 < pour["strength_share"] < 0.36
    assert pour["strength_psi"] == pytest.approx(4000 * pour["strength_share"], abs=1)
    girts, trusses = pour["gates"]
    assert (girts["before"], girts["strength_share"], girts["stated_by"]) == ("FRAME", 0.17, "")
    assert (trusses["before"], trusses["strength_share"]) == ("TRUSSES", 0.55)
    assert trusses["stated_by"] == "Sheet S-2"
    assert datetime.fromisoformat(trusses["ready_at"]) > datetime.fromisoformat(girts["ready_at"])


def test_a_pour_to_come_is_counted_from_the_published_plan(owner: Any):
    (crew,) = make_firm(crews=1)
    job = make_job(foundation="POURED_PIER")
    booking = book(make_plan(), job, "POUR", start=morning(), hours=2, crew=crew)

    (pour,) = pours_of(owner, job)

    assert (pour["phase"], pour["planned"]) == ("POUR", True)
    assert datetime.fromisoformat(pour["poured_at"]) == booking.ends_at
    assert pour["strength_share"] == 0
    assert pour["gates"][0]["before"] == "POSTS"


def test_precast_piers_have_no_pours(owner: Any):
    make_firm()

    assert pours_of(owner, make_job()) == []


def test_before_the_firm_is_entered_nothing_can_be_said(owner: Any):
    assert pours_of(owner, poured_job()) == []


def test_a_job_that_is_not_there_is_told(owner: Any):
    response = reader(owner).get(f"{ROOT}jobs/26-999/pours/")

    assert response.status_code == 404
    assert "There is no job 26-999" in response.json()["detail"]


@pytest.mark.parametrize("who", ["lead", "stranger"])
def test_it_is_closed_to_others(who: str, request: pytest.FixtureRequest):
    make_firm()
    job = poured_job()

    response = reader(request.getfixturevalue(who)).get(f"{ROOT}jobs/{job.number}/pours/")

    assert response.status_code == 403


def test_it_takes_as_many_queries_for_five_pours_as_for_one(owner: Any):
    make_firm()
    job = poured_job()
    client = reader(owner)

    def queries() -> int:
        with CaptureQueriesContext(connection) as captured:
            assert client.get(f"{ROOT}jobs/{job.number}/pours/").status_code == 200
        return len(captured)

    queries()
    one = queries()
    for part in "bcde":
        posts = job.phases.get(code="POSTS")
        PourFactory(phase=posts, poured_at=MONDAY - timedelta(hours=40), part=part)

    assert queries() == one
