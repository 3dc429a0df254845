"""Pours, readings and needed strengths come back from their files, and bad rows are told."""

from datetime import datetime, timedelta
from pathlib import Path

import pytest

from inspections.models import Pour, PourReading, StrengthNeed
from jobs.models import Job
from jobs.services.dumping import dump
from jobs.services.loading import LoadFailed, load
from tests.factories import PourFactory
from tests.service.portfolio import MONDAY, make_job

pytestmark = pytest.mark.django_db

KINDS = ("pours", "pour_readings", "strength_needs")
POURS = "job,phase,poured_at,part\n"
READINGS = "job,phase,poured_at,part,taken_at,of,temp_degf\n"
NEEDS = "job,poured_phase,following_phase,strength_percent,stated_by\n"


def written(directory: Path, kind: str, text: str) -> Path:
    path = directory / f"{kind}.csv"
    path.write_text(text)
    return path


def poured_job() -> Job:
    return make_job(number="26-100", foundation="POURED_PIER", slab_in=4)


def refused(path: Path, now: datetime | None = MONDAY) -> str:
    with pytest.raises(LoadFailed) as failed:
        load(paths=[path], now=now)
    return "\n".join(str(error) for error in failed.value.errors)


def test_what_is_dumped_loads_again(tmp_path: Path) -> None:
    job = poured_job()
    posts = job.phases.get(code="POSTS")
    pour = PourFactory(phase=posts, poured_at=MONDAY, part="holes 1-8", placed_degf=58.5)
    PourFactory(phase=posts, poured_at=MONDAY, cement="III", protected_until=MONDAY.replace(day=3))
    PourReading.objects.create(pour=pour, taken_at=MONDAY + timedelta(hours=6), temp_degf=51.25)
    pair = {"poured_phase": "POSTS", "following_phase": "TRUSSES", "stated_by": "S-2"}
    StrengthNeed.objects.create(**pair, job=job, strength_percent=55)
    StrengthNeed.objects.create(**pair, strength_percent=45, minimum_hours=60)
    first = dump(directory=tmp_path / "first", kinds=KINDS)
    Pour.objects.all().delete()
    StrengthNeed.objects.all().delete()

    load(paths=sorted((tmp_path / "first").glob("*.csv")))

    assert dump(directory=tmp_path / "again", kinds=KINDS) == first
    for kind in KINDS:
        texts = [(tmp_path / name / f"{kind}.csv").read_text() for name in ("first", "again")]
        assert texts[0] == texts[1]


@pytest.mark.parametrize(
    ("row", "column", "message"),
    [
        ("26-100,FRAME,2026-06-01 05:00,", "phase", "pours no concrete"),
        ("26-100,LINER,2026-06-01 05:00,", "phase", "has no such phase"),
        ("26-100,POSTS,2026-06-02 05:00,", "poured_at", "That is still to come."),
        ("26-100,POSTS,2026-05-30 05:00,", "poured_at", "Already in the database."),
    ],
)
def test_a_pour_that_cannot_be_is_told_by_its_column(
    tmp_path: Path, row: str, column: str, message: str
) -> None:
    posts = poured_job().phases.get(code="POSTS")
    stored_at = MONDAY.replace(month=5, day=30, hour=5)
    PourFactory(phase=posts, poured_at=stored_at)

    told = refused(written(tmp_path, "pours", f"{POURS}{row}\n"))

    assert f"line 2, column {column}" in told
    assert message in told
    assert Pour.objects.count() == 1


@pytest.mark.parametrize(
    ("row", "column", "message"),
    [
        ("26-100,POSTS,2026-05-30 05:00,east,2026-05-30 06:00,AIR,40", "poured_at", "No such pour"),
        ("26-100,POSTS,2026-05-30 05:00,,2026-05-30 04:00,AIR,40", "taken_at", "before the pour"),
        ("26-100,POSTS,2026-05-30 05:00,,2026-06-30 04:00,AIR,40", "taken_at", "still to come"),
        ("26-100,POSTS,2026-05-30 05:00,,2026-05-30 06:00,AIR,900", "temp_degf", "200"),
        ("26-100,POSTS,2026-05-30 05:00,,2026-05-30 06:00,SOIL,40", "of", "Not a choice"),
    ],
)
def test_a_reading_that_cannot_be_is_told_by_its_column(
    tmp_path: Path, row: str, column: str, message: str
) -> None:
    posts = poured_job().phases.get(code="POSTS")
    PourFactory(phase=posts, poured_at=MONDAY.replace(month=5, day=30, hour=5))

    told = refused(written(tmp_path, "pour_readings", f"{READINGS}{row}\n"))

    assert f"line 2, column {column}" in told
    assert message in told
    assert not PourReading.objects.exists()


def test_a_figure_that_is_there_already_is_refused_the_firms_too(tmp_path: Path) -> None:
    poured_job()
    path = written(
        tmp_path,
        "strength_needs",
        f"{NEEDS}26-100,POSTS,TRUSSES,50,S-2\n,POSTS,TRUSSES,45,the firm\n",
    )
    load(paths=[path])

    told = refused(path)

    assert StrengthNeed.objects.count() == 2
    assert "line 2" in told
    assert "line 3" in told


def test_a_figure_for_phases_that_do_not_wait_is_refused(tmp_path: Path) -> None:
    told = refused(written(tmp_path, "strength_needs", f"{NEEDS},SLAB,FRAME,50,S-2\n"))

    assert "column following_phase" in told
