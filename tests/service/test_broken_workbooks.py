"""Workbooks as people send them: faults are told by place and remedy, and nothing is stored."""

import io
from collections.abc import Callable
from datetime import datetime, time
from typing import Any

import pytest
from django.utils import timezone
from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from jobs.models import CheckedFile, Job
from jobs.services import workbooks
from jobs.services.importing import DryRun, Fate, dry_run
from tests.service.csv_files import JOB, JOB_COLUMNS

# Read and refused before a row is written.
pytestmark = [pytest.mark.django_db, pytest.mark.either_database]

HEAD = JOB_COLUMNS.split(",")
VALUE = HEAD.index("contract_value_usd")
SOLD = HEAD.index("sold_on")
PATH = "firm.xlsx, sheet jobs"


def saved(change: Callable[[Workbook, Worksheet], None]) -> bytes:
    """Return a workbook of two good jobs, changed and saved."""
    book = Workbook()
    page = book.active
    page.title = "jobs"
    for row in (HEAD, JOB.split(","), JOB.replace("26-301", "26-302").split(",")):
        page.append(row)
    change(book, page)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def checked(data: bytes, by: Any) -> DryRun:
    return dry_run(files={"firm.xlsx": data}, now=timezone.now(), by=by)


def merged(_: Workbook, page: Worksheet) -> None:
    page.merge_cells(start_row=2, end_row=3, start_column=1, end_column=1)


def put(row: int, column: int, value: Any) -> Callable[[Workbook, Worksheet], None]:
    def change(_: Workbook, page: Worksheet) -> None:
        page.cell(row, column + 1, value)

    return change


@pytest.mark.parametrize(
    ("change", "line", "told"),
    [
        (put(3, VALUE, "forty thousand"), 3, "contract_value_usd forty thousand: Not a number."),
        (put(3, VALUE, "#REF!"), 3, "contract_value_usd #REF!: Not a number."),
        (put(3, VALUE, "=40000+8500"), 3, "contract_value_usd =40000+8500: A formula"),
        (put(3, SOLD, "3/2/2026"), 3, "sold_on 3/2/2026: "),
        (put(3, SOLD, time(7, 30)), 3, "sold_on 07:30: "),
        (put(3, 0, "26-301"), 3, "number 26-301: The same is on line 2 already."),
        (merged, 3, "number: The cell is empty."),
    ],
)
def test_a_row_with_a_fault_is_told_and_the_other_has_its_fate_too(
    office: Any, change: Callable[[Workbook, Worksheet], None], line: int, told: str
) -> None:
    found = checked(saved(change), office)

    assert [row.line for row in found.rows] == [2, 3]
    (refused,) = found.refused
    assert (refused.file, refused.line) == (PATH, line)
    assert any(words.startswith(told) for words in refused.told), refused.told
    assert found.batch is None
    assert not Job.objects.exists()
    assert not CheckedFile.objects.exists()


def without_a_column(_: Workbook, page: Worksheet) -> None:
    page.delete_cols(VALUE + 1)


def with_notes(book: Workbook, _: Worksheet) -> None:
    book.create_sheet("Notes").append(["call the buyer"])


def emptied(_: Workbook, page: Worksheet) -> None:
    page.delete_rows(1, 3)


def too_wide(_: Workbook, page: Worksheet) -> None:
    page.cell(1, workbooks.MOST_COLUMNS + 1, "more")


def twice_the_same(book: Workbook, page: Worksheet) -> None:
    book.copy_worksheet(page).title = "Jobs "


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (without_a_column, "The column is missing. Add it"),
        (with_notes, "Not a sheet we know."),
        (emptied, "There is nothing in it."),
        (too_wide, "200 columns. Split it."),
        (twice_the_same, "Given twice. Give it once."),
    ],
)
def test_a_workbook_with_a_fault_is_told_as_a_whole(
    office: Any, change: Callable[[Workbook, Worksheet], None], told: str
) -> None:
    found = checked(saved(change), office)

    assert any(told in error.message for error in found.wrong), found.wrong
    assert found.batch is None
    assert not Job.objects.exists()


@pytest.mark.parametrize(
    "data", [b"", b"number,sold_on\n26-301,2026-03-02\n", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" * 64]
)
def test_what_is_no_workbook_is_told_whatever_its_name(office: Any, data: bytes) -> None:
    """An empty file, a text, and the old format of spreadsheets by its first bytes."""
    found = checked(data, office)

    assert any("Not a workbook that can be read" in error.message for error in found.wrong)


def test_days_as_a_spreadsheet_keeps_them_are_read(office: Any) -> None:
    found = checked(saved(put(3, SOLD, datetime(2026, 3, 2))), office)

    assert [row.fate for row in found.rows] == [Fate.STORED, Fate.STORED]
