"""The form of CSV files: encoding, quotes, lines, and files that are none of ours."""

from pathlib import Path

import pytest

from jobs.services.loading import LoadFailed, load
from jobs.services.loading_files import LoadError, read_sheet
from tests.service.csv_files import files

pytestmark = pytest.mark.either_database  # read and refused before a row is written


def failure(path: Path) -> LoadError:
    with pytest.raises(LoadFailed) as caught:
        read_sheet(path)
    (error,) = caught.value.errors
    return error


def test_bytes_that_are_not_utf_8_are_told_with_their_line(tmp_path: Path) -> None:
    path = tmp_path / "equipment.csv"
    path.write_bytes(b"name,kind\nAuger rig 1,AUGER\nB\xe9 rig,AUGER\n")

    error = failure(path)

    assert (error.line, "0xE9" in error.message, "CSV UTF-8" in error.message) == (3, True, True)


@pytest.mark.parametrize("text", ["", "\n\n", ",,\n", "\ufeff"])
def test_an_empty_file_is_refused(tmp_path: Path, text: str) -> None:
    (path,) = files(tmp_path, equipment=text)

    assert "empty" in failure(path).message


def test_a_header_alone_has_no_rows_and_no_errors(tmp_path: Path) -> None:
    (path,) = files(tmp_path, equipment="name,kind\n")

    sheet, errors = read_sheet(path)

    assert (sheet.rows, errors) == ((), [])


def test_a_row_after_a_quoted_line_break_keeps_its_line_of_the_file(tmp_path: Path) -> None:
    (path,) = files(tmp_path, jobs='number,notes\n1,"first\nsecond\nthird"\n\n2,x\n')

    sheet, _ = read_sheet(path)

    assert [row.line for row in sheet.rows] == [2, 6]


@pytest.mark.parametrize("row", ["Auger rig 1,AUGER,spare", "Auger rig 1"])
def test_too_many_or_too_few_cells_are_told_with_the_line(tmp_path: Path, row: str) -> None:
    (path,) = files(tmp_path, equipment=f"name,kind\nTelehandler,TELEHANDLER\n{row}\n")

    _, (error,) = read_sheet(path)

    assert error.line == 3


def test_a_quote_that_is_never_closed_is_told_with_the_line_of_its_row(tmp_path: Path) -> None:
    (path,) = files(tmp_path, equipment='name,kind\nA,AUGER\n"B,AUGER\nC,AUGER\n')

    assert failure(path).line == 3


def test_other_separators_are_recognized(tmp_path: Path) -> None:
    (path,) = files(tmp_path, equipment="name;kind\nAuger rig 1;AUGER\n")

    _, errors = read_sheet(path)

    assert any("commas" in error.message for error in errors)


def test_a_column_that_is_there_twice_is_refused(tmp_path: Path) -> None:
    (path,) = files(tmp_path, equipment="name,kind,name\nA,AUGER,B\n")

    _, errors = read_sheet(path)

    assert [(error.line, error.column) for error in errors] == [(1, "name")]


def test_a_nul_character_is_refused_with_its_line(tmp_path: Path) -> None:
    (path,) = files(tmp_path, equipment="name,kind\nA\0,AUGER\n")

    assert failure(path).line == 2


@pytest.mark.django_db
@pytest.mark.parametrize("name", ["barns.csv", "jobs.xls", "JOBS.csv"])
def test_a_file_of_another_name_is_refused(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_text("number\n1\n")

    with pytest.raises(LoadFailed, match="nothing was stored") as caught:
        load(paths=[path])

    assert "jobs.csv" in caught.value.errors[0].message


@pytest.mark.django_db
def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(LoadFailed) as caught:
        load(paths=[tmp_path / "jobs.csv"])

    assert caught.value.errors[0].file == "jobs.csv"


@pytest.mark.django_db
def test_the_same_kind_twice_is_refused(tmp_path: Path) -> None:
    (path,) = files(tmp_path, equipment="name,kind\nAuger rig 1,AUGER\n")

    with pytest.raises(LoadFailed) as caught:
        load(paths=[path, path])

    assert "twice" in caught.value.errors[0].message
