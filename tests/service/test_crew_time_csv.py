"""Lent people and time set aside: they go through files and back, by the board's own rules."""

from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from crews.models import Crew
from jobs.models import LentPeople, SetAside
from jobs.services.dumping import dump
from jobs.services.loading import LoadError, LoadFailed, load
from tests.factories import CrewFactory
from tests.service.csv_files import files

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
LENT = "from_crew,to_crew,people,first_day,last_day,note\n"
ASIDE = "crew,kind,starts_at,ends_at,job,note\n"


def crews() -> None:
    CrewFactory(name="North crew", size=3)
    CrewFactory(name="South crew", size=4)


def test_they_come_back_as_they_were_written(tmp_path: Path) -> None:
    crews()
    LentPeople.objects.create(
        from_crew_id=_crew("North crew"),
        to_crew_id=_crew("South crew"),
        people=2,
        first_day=date(2026, 6, 8),
        last_day=date(2026, 6, 9),
        note="for the trusses",
    )
    SetAside.objects.create(
        crew_id=_crew("South crew"),
        kind=SetAside.Kind.SHOP,
        starts_at=datetime(2026, 6, 10, 12, tzinfo=UTC),
        ends_at=datetime(2026, 6, 10, 20, tzinfo=UTC),
        note="sharpen augers",
    )
    before = _rows()
    dump(directory=tmp_path, kinds=["lent_people", "set_aside"])
    LentPeople.objects.all().delete()
    SetAside.objects.all().delete()

    load(paths=sorted(tmp_path.glob("*.csv")), now=NOW)

    assert _rows() == before
    assert [len(rows) for rows in before] == [1, 1]


def test_two_lends_that_say_the_same_are_written_as_one_of_all_their_people(tmp_path: Path) -> None:
    crews()
    for people in (1, 2):
        LentPeople.objects.create(
            from_crew_id=_crew("South crew"),
            to_crew_id=_crew("North crew"),
            people=people,
            first_day=date(2026, 6, 8),
            last_day=date(2026, 6, 9),
        )

    dump(directory=tmp_path, kinds=["lent_people"])

    (_, row) = (tmp_path / "lent_people.csv").read_text().splitlines()
    assert row == "South crew,North crew,3,2026-06-08,2026-06-09,"


def test_nobody_left_in_a_crew_is_refused_over_all_rows(tmp_path: Path) -> None:
    crews()
    rows = (
        "North crew,South crew,2,2026-06-08,2026-06-09,\n"
        "North crew,South crew,1,2026-06-09,2026-06-10,\n"
        "North crew,South crew,2,2026-06-10,2026-06-10,\n"
    )

    error = _only_error(files(tmp_path, lent_people=LENT + rows))

    assert (error.line, error.column) == (3, "people")
    assert "nobody is left on Jun 9, 2026" in error.message
    assert not LentPeople.objects.exists()


def test_a_crew_lends_to_another_and_ends_after_it_starts(tmp_path: Path) -> None:
    crews()
    rows = (
        "North crew,North crew,1,2026-06-08,2026-06-09,\n"
        "North crew,South crew,1,2026-06-09,2026-06-08,\n"
    )

    with pytest.raises(LoadFailed) as caught:
        load(paths=files(tmp_path, lent_people=LENT + rows), now=NOW)

    places = {(error.line, error.column) for error in caught.value.errors}
    assert places == {(2, "to_crew"), (3, "last_day")}


def test_time_is_set_aside_once(tmp_path: Path) -> None:
    crews()
    SetAside.objects.create(
        crew_id=_crew("South crew"),
        kind=SetAside.Kind.SHOP,
        starts_at=datetime(2026, 6, 10, 12, tzinfo=UTC),
        ends_at=datetime(2026, 6, 10, 20, tzinfo=UTC),
    )
    rows = (
        "North crew,SHOP,2026-06-10T08:00-04:00,2026-06-10T12:00-04:00,,\n"
        "North crew,OTHER,2026-06-10T12:00-04:00,2026-06-10T14:00-04:00,,\n"
        "North crew,OTHER,2026-06-10T11:00-04:00,2026-06-10T13:00-04:00,,\n"
        "South crew,CALLBACK,2026-06-10T15:00-04:00,2026-06-10T18:00-04:00,,\n"
    )

    with pytest.raises(LoadFailed) as caught:
        load(paths=files(tmp_path, set_aside=ASIDE + rows), now=NOW)

    assert {(error.line, error.column) for error in caught.value.errors} == {
        (4, "starts_at"),
        (5, "starts_at"),
    }


def _crew(name: str) -> int:
    return Crew.objects.get(name=name).pk


def _rows() -> tuple[list[object], list[object]]:
    lent = LentPeople.objects.values_list(
        "from_crew__name", "to_crew__name", "people", "first_day", "last_day", "note"
    )
    aside = SetAside.objects.values_list("crew__name", "kind", "starts_at", "ends_at", "note")
    return list(lent), list(aside)


def _only_error(paths: list[Path]) -> LoadError:
    with pytest.raises(LoadFailed) as caught:
        load(paths=paths, now=NOW)
    (error,) = caught.value.errors
    return error
