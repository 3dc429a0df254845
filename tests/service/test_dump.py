"""Dumping: every column is there, whole firms come back, and nothing is written over."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command
from django.db import connection, models, transaction

from crews.models import Crew
from inspections.models import Inspection
from jobs.models import Job, Phase
from jobs.services.dumping import dump
from jobs.services.loading import load
from jobs.services.loading_files import protect
from jobs.services.loading_tables import TABLES
from tests.factories import CrewFactory, DayOffFactory, PhaseFactory
from tests.service.csv_files import GOOD

DEMO = settings.BASE_DIR / "fixtures" / "demo"

# Columns that no file carries, and why.
LEFT_OUT = {
    ("crews", "lead"),  # a sign-in; people are not in these files
    ("crews", "feed_revised_at"),  # the calendar's own
    ("history", "parts"),  # as many as there are rows of the phase
    ("history", "sequence"),  # the next four follow from building, rates and history
    ("history", "labor_hours"),
    ("history", "labor_arithmetic"),
    ("history", "status"),
    ("history", "partly_passed"),  # follows from the inspections
    ("history", "hours_at_share"),  # these four follow from the reports
    ("history", "stopped_by"),
    ("history", "stopped_at"),
    ("history", "stopped_until"),
    ("reports", "phase"),  # named by job and code
    ("callbacks", "round"),  # named by its crew and start
    ("left_out", "phase"),
    ("left_out", "by"),  # a sign-in
    ("reports", "by"),  # a sign-in; the name stays
    ("inspections", "phase"),  # named by job and code
    ("visit_record", "inspection"),  # named by its phase and when it was asked for
    ("visit_record", "by"),  # a sign-in; the name stays in said_by
    ("visit_record", "before"),  # what an undo would restore: lines of a file are not undone
    ("visit_record", "after"),
    ("visit_record", "undoes"),  # the note says which
    ("pours", "phase"),
    ("pour_readings", "pour"),  # named by its phase, moment and part
    ("strength_needs", "entered_by"),  # a sign-in
    ("weather_areas", "last_good_at"),  # the source's own state
    ("weather_areas", "last_tried_at"),
    ("weather_areas", "last_error"),
    ("site_readiness", "released_by"),  # a sign-in; the name stays in release_why
}


@pytest.mark.parametrize("kind", TABLES)
def test_every_column_of_a_model_is_in_its_file_or_left_out_for_a_reason(kind: str) -> None:
    table = TABLES[kind]
    own = {field.name for field in table.model._meta.fields if not field.primary_key}

    missing = own - {column.attname for column in table.columns}

    assert {(kind, name) for name in missing} == {pair for pair in LEFT_OUT if pair[0] == kind}


@pytest.mark.django_db
def test_history_and_inspections_come_back(tmp_path: Path) -> None:
    load(paths=sorted(GOOD.glob("*.csv")))
    pinned = Phase.objects.get(job__number="26-301", code="ROOF")
    pinned.office_hours, pinned.pinned_crew = 40.5, Crew.objects.get()
    pinned.save()
    before = _told(Phase), _told(Inspection)
    dump(directory=tmp_path)
    Job.objects.all().delete()
    without = {"work_hours", "crews", "authorities", "equipment"}

    load(paths=[path for path in tmp_path.glob("*.csv") if path.stem not in without])

    assert (_told(Phase), _told(Inspection)) == before
    assert Phase.objects.get(code="ROOF", job__number="26-301").office_hours == 40.5


def _told(model: type[models.Model]) -> list[dict[str, object]]:
    rows = model._default_manager.order_by("pk").values()
    hidden = ("id", "job_id", "phase_id")
    return [{k: v for k, v in row.items() if k not in hidden} for row in rows]


@pytest.mark.django_db
def test_a_whole_firm_comes_back_byte_for_byte(tmp_path: Path) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    with transaction.atomic():
        load(paths=sorted(DEMO.glob("*.csv")))
        dump(directory=first)
        transaction.set_rollback(True)

    load(paths=sorted(first.glob("*.csv")))
    dump(directory=second)

    for path in first.glob("*.csv"):
        assert (second / path.name).read_text() == path.read_text(), path.name
    assert len((second / "history.csv").read_text().splitlines()) > 200


@pytest.mark.django_db
def test_a_text_that_looks_like_a_formula_is_written_as_text(tmp_path: Path) -> None:
    CrewFactory(name="=HYPERLINK(A1)", lead_phone="+1 555 0100")

    dump(directory=tmp_path, kinds=["crews"])

    text = (tmp_path / "crews.csv").read_text()
    assert "'=HYPERLINK(A1)" in text
    assert "'+1 555 0100" in text


@pytest.mark.django_db
def test_a_name_that_looks_like_a_formula_is_text_wherever_it_is_referred_to(
    tmp_path: Path,
) -> None:
    DayOffFactory(crew=CrewFactory(name="=HYPERLINK(A1)"))

    dump(directory=tmp_path, kinds=["days_off"])

    assert "'=HYPERLINK(A1)" in (tmp_path / "days_off.csv").read_text()


@pytest.mark.parametrize("sign", "=+-@＝＋－＠\t\r\n")
def test_no_sign_that_begins_a_formula_begins_a_cell(sign: str) -> None:
    """Source: OWASP, CSV Injection (from memory)."""
    assert protect(f"{sign}1") == f"'{sign}1"


@pytest.mark.django_db
def test_the_same_day_off_twice_is_written_once(tmp_path: Path) -> None:
    DayOffFactory()
    DayOffFactory()

    assert dump(directory=tmp_path, kinds=["days_off"]) == {"days_off": 1}


@pytest.mark.django_db
def test_phases_about_which_nothing_is_told_are_not_history(tmp_path: Path) -> None:
    PhaseFactory(code="FRAME")

    assert dump(directory=tmp_path, kinds=["history"]) == {"history": 0}


@pytest.mark.django_db
def test_phases_left_out_of_their_job_are_not_history(tmp_path: Path) -> None:
    PhaseFactory(code="LINER", status="DROPPED", office_hours=12)

    assert dump(directory=tmp_path, kinds=["history"]) == {"history": 0}


@pytest.mark.django_db
def test_a_dump_is_never_written_over_another(tmp_path: Path) -> None:
    call_command("dump", str(tmp_path))
    CrewFactory(name="Rowan crew")

    with pytest.raises(CommandError, match="empty directory"):
        call_command("dump", str(tmp_path))

    assert "Rowan crew" not in (tmp_path / "crews.csv").read_text()


@pytest.mark.services
@pytest.mark.django_db(transaction=True)
def test_what_others_save_meanwhile_is_in_no_file(tmp_path: Path) -> None:
    CrewFactory(name="Rowan crew")

    def save_both() -> None:
        DayOffFactory(crew=CrewFactory(name="Alder crew"))
        connection.close()

    def when_crews_were_read(execute: Any, sql: str, *args: Any) -> Any:
        answer = execute(sql, *args)
        if 'FROM "crews_crew"' in sql and not saved:
            with ThreadPoolExecutor(1) as other:
                saved.append(other.submit(save_both).result())
        return answer

    saved: list[None] = []
    with connection.execute_wrapper(when_crews_were_read):
        rows = dump(directory=tmp_path, kinds=["crews", "days_off"])

    assert saved
    assert Crew.objects.count() == 2
    assert rows == {"crews": 1, "days_off": 0}
