"""What `dump` writes, `load` reads back: cells alone, then whole tables through the database."""

import csv
import io
import tempfile
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from django.db import models, transaction
from django.utils import timezone
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from crews.models import WEEKDAYS, Crew, DayOff, Equipment, Firm, WorkHours
from inspections.models import Authority, Permit
from jobs.models import Callback, Job, Opening, Phase, SetAside
from jobs.services.dumping import dump
from jobs.services.loading import load
from jobs.services.loading_cells import Shift, cell_of, value_of
from jobs.services.loading_checks import PHASES_KNOWN_LATER
from jobs.services.loading_files import protect, unprotect
from jobs.services.loading_tables import TABLES, Column, Table
from tests.service.csv_files import files, job_file

ZONE = timezone.get_default_timezone()
STAY = Shift(0, ZONE)

# Everything a database column can hold: no NUL, no half of a surrogate pair.
TEXT = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=40)
NAME = TEXT.filter(lambda text: text.strip() != "")
FEW = settings(
    max_examples=12,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@given(TEXT)
@example("=1+1")
@example("'=1+1")
@example("'")
@example(" \t'")
@example("-12")
@example("\r\n")
def test_any_text_comes_back_from_its_cell(text: str) -> None:
    assert unprotect(protect(text)) == text


@given(TEXT)
def test_no_cell_begins_like_a_formula(text: str) -> None:
    assert protect(text)[:1] not in tuple("=+-@＝＋－＠\t\r")


@given(st.lists(st.tuples(TEXT, TEXT), min_size=1))
def test_any_text_comes_back_through_a_csv_file(rows: list[tuple[str, str]]) -> None:
    out = io.StringIO(newline="")
    csv.writer(out).writerows([protect(a), protect(b)] for a, b in rows)

    cells = csv.reader(io.StringIO(out.getvalue(), newline=""), strict=True)

    assert [tuple(map(unprotect, row)) for row in cells if row] == rows


@pytest.mark.parametrize(
    ("field", "values"),
    [
        (models.FloatField(), st.floats(-1e9, 1e9).map(lambda x: round(x, 6))),
        (models.IntegerField(), st.integers(-(10**9), 10**9)),
        (models.DecimalField(), st.decimals(0, 10**7, places=2)),
        (models.BooleanField(), st.booleans()),
        (models.DateField(), st.dates(date(1900, 1, 1), date(2200, 12, 31))),
        (models.TimeField(), st.times().map(lambda t: time(t.hour, t.minute))),
        (
            models.DateTimeField(),
            st.datetimes(datetime(1971, 1, 1), datetime(2200, 1, 1), timezones=st.just(UTC)),
        ),
        (models.JSONField(), st.lists(st.sampled_from(Crew.Skill.values))),
    ],
    ids=lambda value: type(value).__name__,
)
def test_any_value_comes_back_from_its_cell(
    field: "models.Field[Any, Any]", values: st.SearchStrategy[Any]
) -> None:
    @settings(max_examples=60, deadline=None)
    @given(values)
    def comes_back(value: Any) -> None:
        cell = cell_of(field, value)

        assert (value_of(field, cell, STAY) if cell else []) == value

    comes_back()


@given(
    st.datetimes(datetime(2020, 1, 1), datetime(2030, 1, 1)).map(lambda m: m.replace(hour=7)),
    st.integers(-200, 200),
)
def test_a_shift_moves_the_day_and_keeps_the_clock(naive: datetime, weeks: int) -> None:
    moment = naive.replace(tzinfo=ZONE)

    moved = Shift(7 * weeks, ZONE).instant(moment).astimezone(ZONE)

    assert moved.replace(tzinfo=None) == naive + timedelta(weeks=weeks)


def through_files() -> dict[str, list[tuple[Any, ...]]]:
    """Dump everything, empty the database, load the files, and return the rows as they were."""
    before = everything()
    with tempfile.TemporaryDirectory() as directory:
        dump(directory=Path(directory))
        for model in (Permit, Authority, Opening, Phase, Job, DayOff, Crew, WorkHours, Firm):
            model.objects.all().delete()
        Equipment.objects.all().delete()
        load(paths=sorted(Path(directory).glob("*.csv")))
    return before


def everything() -> dict[str, list[tuple[Any, ...]]]:
    """Return the dumped columns of every table, references by what people call them."""
    rows = {}
    for kind, table in TABLES.items():
        if kind in (*PHASES_KNOWN_LATER, "reports"):
            continue
        paths = (path_of(table, column) for column in table.columns)
        rows[kind] = sorted(map(str, table.model._default_manager.values_list(*paths)))
    return rows


def path_of(table: Table, column: Column) -> str:
    """Return the query path of a column; what a callback's file tells of its visit is a round's."""
    is_of_visit = table.model is Callback and column.field.model is SetAside
    return f"round__{column.path}" if is_of_visit else column.path


@pytest.mark.django_db
@FEW
@given(names=st.lists(NAME, min_size=2, max_size=4, unique=True), lead=TEXT, pace=st.floats(0.3, 2))
def test_crews_and_their_days_off_come_back(names: list[str], lead: str, pace: float) -> None:
    with transaction.atomic():
        hours = WorkHours.objects.create(name=names[0], **dict.fromkeys(WEEKDAYS, "07:00-15:30"))
        machine = Equipment.objects.create(name=names[-1], kind="AUGER", is_active=False)
        for number, name in enumerate(names):
            crew = Crew.objects.create(
                name=name,
                lead_name=lead,
                size=number + 1,
                skills=list(Crew.Skill.values[number:]),
                pace=pace,
                work_hours=hours,
            )
            day = date(2026, 11, 2) + timedelta(days=number)
            DayOff.objects.create(first_day=day, last_day=day, crew=crew, reason=name)
        DayOff.objects.create(first_day=day, last_day=day, equipment=machine, reason=names[0])

        before = through_files()

        assert everything() == before
        transaction.set_rollback(True)


SIZES = st.floats(10, 60).map(lambda ft: round(ft, 3))


@pytest.mark.django_db
@FEW
@given(
    buyer=NAME,
    notes=TEXT,
    width_ft=SIZES,
    length_ft=SIZES,
    usd=st.decimals(0, 10**6, places=2),
    promised_on=st.none() | st.dates(date(2026, 3, 2), date(2027, 1, 1)),
    exempt=st.booleans(),
)
def test_jobs_with_doors_and_permit_come_back(
    buyer: str,
    notes: str,
    width_ft: float,
    length_ft: float,
    usd: Decimal,
    promised_on: date | None,
    exempt: bool,
) -> None:
    doors = "job,kind,width_ft,height_ft\n" + 2 * "26-301,WALK_DOOR,3,7\n"
    with transaction.atomic(), tempfile.TemporaryDirectory() as directory:
        text = job_file(width_ft=str(width_ft), length_ft=str(length_ft))
        load(paths=files(Path(directory), jobs=text, openings=doors))
        Job.objects.update(
            buyer_name=buyer, notes=notes, contract_value_usd=usd, promised_on=promised_on
        )
        authority = Authority.objects.create(
            name=buyer,
            county="Fennel County",
            state="OH",
            inspects_holes=False,
            inspects_frame=False,
        )
        Permit.objects.create(job=Job.objects.get(), authority=authority, is_exempt=exempt)

        before = through_files()

        assert everything() == before
        transaction.set_rollback(True)
