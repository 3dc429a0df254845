"""What finished work has taught, through the API: factors, drift, and what is left out."""

import math
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from crews.models import Crew
from jobs.models import Phase
from jobs.services.left_out import leave_out
from tests.factories import CrewFactory, PhaseFactory
from tests.service.api import ROOT, faults, reader
from tests.service.portfolio import MONDAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]


def finished(crew: Crew, *, hours: float, days_ago: int = 10, code: str = "FRAME") -> Phase:
    """Return a finished phase of 32 planned hours that took so many."""
    done_at = MONDAY - timedelta(days=days_ago)
    phase: Phase = PhaseFactory(
        code=code,
        labor_hours=32,
        status=Phase.Status.DONE,
        share_done=1,
        crew=crew,
        started_at=done_at - timedelta(days=2),
        done_at=done_at,
        reported_hours=hours,
    )
    return phase


def results(user: Any, address: str) -> list[dict[str, Any]]:
    response = reader(user).get(ROOT + address)
    assert response.status_code == 200, response.content
    rows: list[dict[str, Any]] = response.json()["results"]
    return rows


@pytest.fixture
def crews() -> tuple[Crew, Crew]:
    """Return two crews: one that is slow at framing, one that is quick; the quick one also digs."""
    slow, quick = CrewFactory(name="Slow crew"), CrewFactory(name="Quick crew")
    for _ in range(5):
        finished(slow, hours=48)
        finished(quick, hours=24)
    finished(quick, hours=64, code="DIG")
    return slow, quick


def test_four_jobs_at_twice_the_hours_move_a_factor_halfway(owner: Any):
    """
    Beside a factor of 1 that counts as four jobs: √2, in logarithms halfway.

    Source: the mean of a normal-inverse-gamma after n values (Murphy 2007, from memory).
    """
    crew = CrewFactory()
    for _ in range(4):
        finished(crew, hours=64)

    (whole, own) = results(owner, "learning/")

    assert (whole["phase"], whole["label"], whole["crew"]) == ("FRAME", "Frame walls", None)
    assert whole["factor"] == pytest.approx(math.sqrt(2), abs=1e-4)
    assert whole["next_low"] < whole["low"] < whole["factor"] < whole["high"] < whole["next_high"]
    assert (own["crew"], own["count"], own["drift"]) == (crew.name, 4, None)


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("", ["DIG", "FRAME", "DIG Quick crew", "FRAME Quick crew", "FRAME Slow crew"]),
        ("all_crews=true", ["DIG", "FRAME"]),
        ("all_crews=false&phase=DIG", ["DIG Quick crew"]),
        ("crew=Slow crew", ["FRAME Slow crew"]),
        ("search=frame&ordering=-factor", ["FRAME Slow crew", "FRAME", "FRAME Quick crew"]),
        ("phase=FRAME&ordering=-crew", ["FRAME Slow crew", "FRAME Quick crew", "FRAME"]),
        ("page_size=1&page=2", ["FRAME"]),
    ],
)
@pytest.mark.usefixtures("crews")
def test_factors_are_narrowed_and_ordered(query: str, expected: list[str], owner: Any):
    rows = results(owner, f"learning/?{query}")

    assert [f"{row['phase']} {row['crew'] or ''}".strip() for row in rows] == expected


def test_a_crew_that_grew_slower_is_told_apart_from_luck(owner: Any):
    crew, other = CrewFactory(name="Slow crew"), CrewFactory(name="Steady crew")
    for number in range(6):
        finished(crew, hours=32 + number % 2, days_ago=300)
        finished(crew, hours=64 + number % 2, days_ago=20)
        finished(other, hours=31 + number % 3, days_ago=300)
        finished(other, hours=31 + number % 3, days_ago=20)

    drift = {row["crew"]: row["drift"] for row in results(owner, "learning/")}

    assert drift["Slow crew"]["recent"] == pytest.approx(2.0, abs=0.04)
    assert drift["Slow crew"]["hardly_luck"]
    assert not drift["Steady crew"]["hardly_luck"]
    assert drift["Steady crew"]["before_count"] == drift["Steady crew"]["recent_count"] == 6


def test_work_left_out_moves_no_factor_and_is_listed_with_the_reason(owner: Any):
    crew = CrewFactory()
    strange = finished(crew, hours=320, days_ago=3)
    finished(crew, hours=32)
    with_it = results(owner, "learning/")[0]["factor"]
    leave_out(phase=strange, reason="the lift broke down", now=MONDAY)

    whole = results(owner, "learning/")[0]

    assert whole["factor"] == pytest.approx(1)
    assert with_it > 1
    assert (whole["count"], whole["left_out"]) == (1, 1)
    (row,) = results(owner, "learning/finished/?left_out=true")
    assert (row["id"], row["left_out_because"]) == (strange.pk, "the lift broke down")
    assert (row["labor_hours"], row["reported_hours"], row["factor"]) == (32, 320, 10)
    assert [row["factor"] for row in results(owner, "learning/finished/?left_out=false")] == [1]


@pytest.mark.parametrize(
    ("query", "factors"),
    [
        ("phase=DIG", [2.0]),
        ("crew=Slow crew", [1.5] * 5),
        ("ordering=factor&page_size=1", [0.75]),
        ("ordering=-factor&page_size=2", [2.0, 1.5]),
    ],
)
@pytest.mark.usefixtures("crews")
def test_finished_work_is_narrowed_and_ordered(query: str, factors: list[float], owner: Any):
    assert [row["factor"] for row in results(owner, f"learning/finished/?{query}")] == factors


@pytest.mark.parametrize("address", ["learning/", "learning/finished/"])
@pytest.mark.parametrize(
    ("query", "field"), [("crew=Nobody", "crew"), ("ordering=x", "ordering"), ("phase=X", "phase")]
)
def test_a_wrong_parameter_is_refused(address: str, query: str, field: str, owner: Any):
    assert list(faults(reader(owner).get(f"{ROOT}{address}?{query}"))) == [field]


@pytest.mark.parametrize("address", ["learning/", "learning/finished/"])
def test_queries_do_not_grow_with_the_work(address: str, owner: Any):
    client = reader(owner)

    def queries(count: int) -> int:
        for _ in range(count):
            finished(CrewFactory(), hours=40)
        with CaptureQueriesContext(connection) as captured:
            assert client.get(ROOT + address).json()["count"] > 0
        return len(captured)

    assert queries(1) == queries(5)
