"""Days off, lent people, time set aside and callbacks through the API."""

from datetime import date, datetime, timedelta
from typing import Any

import pytest
from django.utils import timezone

from crews.models import Crew
from jobs.models import Callback, LentPeople, SetAside
from tests.factories import CrewFactory, DayOffFactory, EquipmentFactory, JobFactory
from tests.service.api import ROOT, reader
from tests.service.portfolio import MONDAY

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("on_monday")]

TODAY = MONDAY.date()


@pytest.fixture
def crews() -> tuple[Crew, Crew]:
    return CrewFactory(name="North crew"), CrewFactory(name="South crew")


def rows_of(owner: Any, address: str) -> list[dict[str, Any]]:
    answer = reader(owner).get(ROOT + address)
    assert answer.status_code == 200, answer.content
    return answer.json()["results"]


def test_days_off_say_whose_they_are_and_leave_out_what_is_over(
    owner: Any, crews: tuple[Crew, Crew]
):
    over = TODAY - timedelta(days=1)
    DayOffFactory(first_day=over, last_day=over, crew=crews[0], reason="Training")
    DayOffFactory(first_day=over, last_day=TODAY, crew=crews[1], reason="Deer season")
    machine = EquipmentFactory(name="Auger rig")
    DayOffFactory(first_day=TODAY, last_day=TODAY, crew=None, equipment=machine, reason="Repair")

    told = [(row["crew"], row["machine"], row["reason"]) for row in rows_of(owner, "days-off/")]
    since = rows_of(owner, f"days-off/?from={over}")

    assert told == [("South crew", None, "Deer season"), (None, "Auger rig", "Repair")]
    assert len(since) == 3


def test_lends_and_time_set_aside_are_told(owner: Any, crews: tuple[Crew, Crew]):
    north, south = crews
    LentPeople.objects.create(
        from_crew=north, to_crew=south, people=2, first_day=TODAY, last_day=TODAY
    )
    job = JobFactory(number="26-777")
    begins = MONDAY + timedelta(days=1)
    SetAside.objects.create(
        crew=south,
        kind=SetAside.Kind.CALLBACK,
        starts_at=begins,
        ends_at=begins + timedelta(hours=4),
        job=job,
        note="north gable",
    )

    (lent,) = rows_of(owner, "lent-people/")
    (aside,) = rows_of(owner, "set-aside/")

    assert (lent["from_crew"], lent["to_crew"], lent["people"]) == ("North crew", "South crew", 2)
    assert (lent["first_day"], lent["last_day"]) == (str(TODAY), str(TODAY))
    assert (aside["crew"], aside["kind"], aside["job"]) == ("South crew", "CALLBACK", "26-777")
    assert datetime.fromisoformat(aside["ends_at"]) - begins == timedelta(hours=4)


def test_callbacks_tell_who_visits_and_are_narrowed(owner: Any, crews: tuple[Crew, Crew]):
    job = JobFactory(number="26-777")
    visit = SetAside.objects.create(
        crew=crews[0],
        kind=SetAside.Kind.CALLBACK,
        starts_at=MONDAY,
        ends_at=MONDAY + timedelta(hours=2),
    )
    said = {"job": job, "kind": Callback.Kind.PUNCH, "asked_on": date(2026, 5, 4)}
    Callback.objects.create(what="Trim", promised_on=date(2026, 6, 9), round=visit, **said)
    Callback.objects.create(
        what="Door", promised_on=date(2026, 5, 9), done_on=date(2026, 5, 8), **said
    )

    told = rows_of(owner, "callbacks/")

    assert [row["what"] for row in told] == ["Trim", "Door"]
    assert (told[0]["crew"], told[1]["crew"]) == ("North crew", None)
    assert datetime.fromisoformat(told[0]["visit_starts_at"]) == timezone.localtime(MONDAY)
    assert [row["what"] for row in rows_of(owner, "callbacks/?open=false")] == ["Door"]
    assert rows_of(owner, "callbacks/?job=26-001") == []
