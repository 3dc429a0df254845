"""Workbooks: read as CSV files are, written so that an independent reader agrees, and guarded."""

import io
import zipfile
from datetime import date, datetime, time
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as Tree

import pytest
from django.core.management import call_command
from django.db import connection
from openpyxl import Workbook

from jobs.models import Job, Opening
from jobs.services import workbooks
from jobs.services.dumping import dump, dump_workbook
from jobs.services.loading import LoadFailed, load
from jobs.services.workbooks import read_workbook, workbook_of
from tests.service.csv_files import GOOD, JOB, JOB_COLUMNS

MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


def book(directory: Path, **sheets: list[list[Any]]) -> Path:
    """Save a workbook with these sheets, as a spreadsheet would, and return its path."""
    made = Workbook()
    made.remove(made.active)
    for name, rows in sheets.items():
        page = made.create_sheet(name)
        for row in rows:
            page.append(row)
    path = directory / "firm.xlsx"
    made.save(path)
    return path


def cells_by_the_standard(data: bytes, sheet: int) -> list[list[str]]:
    """Read a sheet's cells by ISO/IEC 29500-1, 18.3 (from memory), without openpyxl."""
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        shared = []
        if "xl/sharedStrings.xml" in parts.namelist():
            root = Tree.fromstring(parts.read("xl/sharedStrings.xml"))
            shared = ["".join(t.text or "" for t in si.iter(f"{MAIN}t")) for si in root]
        root = Tree.fromstring(parts.read(f"xl/worksheets/sheet{sheet}.xml"))
    assert not list(root.iter(f"{MAIN}f")), "there is a formula"
    rows = []
    for row in root.iter(f"{MAIN}row"):
        rows.append([])
        for cell in row.iter(f"{MAIN}c"):
            kind = cell.get("t")
            if kind == "s":
                rows[-1].append(shared[int(cell.find(f"{MAIN}v").text)])
            else:
                rows[-1].append("".join(t.text or "" for t in cell.iter(f"{MAIN}t")))
    return rows


def test_cells_of_a_spreadsheet_read_as_those_of_a_csv_file(tmp_path: Path) -> None:
    row = [
        date(2026, 11, 23),
        datetime(2026, 11, 23, 7, 30),
        time(16),
        True,
        12.0,
        7.5,
        " x ",
        None,
    ]
    path = book(tmp_path, jobs=[list("abcdefgh"), row, [None] * 8, ["last", *[None] * 7]])

    ((sheet, errors),) = read_workbook(path)

    assert errors == []
    assert sheet.file == "firm.xlsx, sheet jobs"
    assert list(sheet.rows[0].cells.values()) == [
        *("2026-11-23", "2026-11-23 07:30", "16:00", "yes", "12", "7.5", " x ", ""),
    ]
    assert [row.line for row in sheet.rows] == [2, 4]


@pytest.mark.django_db
def test_a_workbook_loads_like_its_files(tmp_path: Path) -> None:
    door = ["job", "kind", "width_ft", "height_ft"], ["26-301", "WALK_DOOR", 3, 7]
    path = book(tmp_path, openings=list(door), jobs=[JOB_COLUMNS.split(","), JOB.split(",")])

    report = load(paths=[path])

    assert dict(report.counts) == {"jobs": 1, "openings": 1}
    assert Opening.objects.get().job.number == "26-301"


@pytest.mark.django_db
def test_an_error_names_sheet_line_and_column(tmp_path: Path) -> None:
    row = ["26-301", "2026-03-02", "much", *JOB.split(",")[3:]]
    path = book(tmp_path, jobs=[JOB_COLUMNS.split(","), row])

    with pytest.raises(LoadFailed) as failed:
        load(paths=[path])

    (error,) = failed.value.errors
    assert str(error).startswith(
        "firm.xlsx, sheet jobs, line 2, column contract_value_usd: much – Not a number."
    )
    assert not Job.objects.exists()


@pytest.mark.django_db
@pytest.mark.parametrize("column", ["contract_value_usd", "buyer_name", "sold_on"])
def test_a_formula_without_a_saved_result_is_told_as_that(tmp_path: Path, column: str) -> None:
    # openpyxl computes nothing, so its formulas are saved without what they show.
    columns = JOB_COLUMNS.split(",")
    cells = dict(zip(columns, JOB.split(","), strict=True)) | {column: "=1+1"}
    path = book(tmp_path, jobs=[columns, list(cells.values())])

    with pytest.raises(LoadFailed) as failed:
        load(paths=[path])

    (error,) = failed.value.errors
    assert str(error).startswith(
        f"firm.xlsx, sheet jobs, line 2, column {column}: =1+1 – A formula whose result"
    )


@pytest.mark.django_db
def test_a_sheet_that_nobody_knows_is_refused(tmp_path: Path) -> None:
    with pytest.raises(LoadFailed) as failed:
        load(paths=[book(tmp_path, Sheet1=[["a"], ["b"]])])

    assert "Not a sheet we know" in str(failed.value.errors[0])


@pytest.mark.django_db
def test_a_dumped_workbook_loads_back_to_the_same_firm(tmp_path: Path) -> None:
    load(paths=sorted(GOOD.glob("*.csv")))
    dump(directory=tmp_path / "before")
    path = tmp_path / "firm.xlsx"
    path.write_bytes(dump_workbook())
    connection.check_constraints()  # PostgreSQL empties no table with checks still to come
    call_command("flush", interactive=False, verbosity=0)

    load(paths=[path])

    dump(directory=tmp_path / "after")
    for before in sorted((tmp_path / "before").iterdir()):
        assert (tmp_path / "after" / before.name).read_text() == before.read_text(), before.name


def test_an_independent_reader_finds_the_cells_and_no_formula() -> None:
    rows = [("=1+1", "-12", "'=SUM(A1)"), ("äöü", "a\nb", " lead")]

    data = workbook_of([("jobs", ["a", "b", "c"], rows)])

    assert cells_by_the_standard(data, 1) == [["a", "b", "c"], *map(list, rows)]


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        ("no zip", "Not a workbook"),
        ("empty", "Not a workbook"),
        ("entities", "Not a workbook"),
        ("unpacks", "unpacks to too much"),
    ],
)
def test_what_is_no_workbook_or_would_do_harm_is_refused(
    tmp_path: Path, harm: str, words: str
) -> None:
    path = book(tmp_path, jobs=[["number"], ["26-001"]])
    if harm == "no zip":
        path.write_bytes(b"number,sold_on\n")
    elif harm == "empty":
        path.write_bytes(b"")
    else:
        parts = {}
        with zipfile.ZipFile(path) as old:
            parts = {name: old.read(name) for name in old.namelist()}
        if harm == "entities":
            bomb = b'<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]>'
            parts["xl/workbook.xml"] = bomb + parts["xl/workbook.xml"]
        else:
            parts["xl/worksheets/sheet1.xml"] = b" " * 210_000_000
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
            for name, data in parts.items():
                new.writestr(name, data)

    with pytest.raises(LoadFailed) as refused:
        read_workbook(path)

    assert words in refused.value.errors[0].message


BOMB = '<!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]>'


@pytest.mark.parametrize(
    "hidden",
    [
        b'<?xml version="1.0"?>' + b" " * 5_000 + BOMB.encode(),
        b"<?xml version='1.0'?><?pad " + b"x" * 5_000 + b"?>" + BOMB.encode(),
        BOMB.encode("utf-16"),
    ],
)
@pytest.mark.parametrize("name", ["xl/workbook.xml", "xl/strings.bin"])
def test_a_document_type_is_found_wherever_it_hides(
    tmp_path: Path, hidden: bytes, name: str
) -> None:
    """Far down, in another encoding, or in a part of another name. Source: XML 1.0, section 2.8."""
    path = book(tmp_path, jobs=[["number"], ["26-001"]])
    root = "<x/>".encode("utf-16-le" if b"\0" in hidden else "utf-8")
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr(name.replace("workbook", "second"), hidden + root)

    with pytest.raises(LoadFailed, match="errors"):
        read_workbook(path)


def test_a_row_wider_than_any_is_refused_before_it_is_read(tmp_path: Path) -> None:
    """Found by trying: read whole, a row of 80 kB packed took 2.3 GB."""
    path = book(tmp_path, jobs=[["x"] * (workbooks.MOST_COLUMNS + 1)])

    with pytest.raises(LoadFailed) as refused:
        read_workbook(path)

    assert "or 200 columns" in refused.value.errors[0].message
    assert refused.value.errors[0].file == path.name  # and no sheet: none was opened


def test_more_shared_texts_than_any_firm_has_are_refused(tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.setattr(workbooks, "MOST_ELEMENTS", 1_000)
    path = book(tmp_path, jobs=[["number"], ["26-001"]])
    with zipfile.ZipFile(path, "a") as packed:
        packed.writestr("xl/more.xml", b"<sst>" + b"<si><t/></si>" * 500 + b"</sst>")

    with pytest.raises(LoadFailed, match="errors"):
        read_workbook(path)


def test_what_is_no_xml_beside_the_sheets_is_let_be(tmp_path: Path) -> None:
    path = book(tmp_path, jobs=[["number"], ["26-001"]])
    with zipfile.ZipFile(path, "a") as packed:
        packed.writestr("xl/media/image1.png", b"\x89PNG\r\n<!DOCTYPE")

    ((sheet, errors),) = read_workbook(path)

    assert (errors, sheet.rows[0].cells) == ([], {"number": "26-001"})


def test_a_part_that_does_not_unpack_or_is_no_xml_is_refused_in_words(tmp_path: Path) -> None:
    """Found by fuzzing: zlib and openpyxl raise what is neither a BadZipFile nor a ValueError."""
    sound = workbook_of([("equipment", ("name", "kind"), [("Auger rig 1", "AUGER")])])
    spoilt = []
    for name, change in (
        ("xl/workbook.xml", (b"<", b"<<")),
        ("[Content_Types].xml", (b"ContentType", b"_ontentType")),
        ("xl/worksheets/sheet1.xml", (b"</row>", b"")),
    ):
        out = io.BytesIO()
        with zipfile.ZipFile(io.BytesIO(sound)) as old, zipfile.ZipFile(out, "w") as new:
            for part in old.namelist():
                data = old.read(part)
                new.writestr(part, data.replace(*change) if part == name else data)
        spoilt.append(out.getvalue())
    with zipfile.ZipFile(io.BytesIO(sound)) as archive:
        first = archive.infolist()[0]
    begins = first.header_offset + 30 + len(first.filename)
    spoilt.append(sound[:begins] + b"\xff\xff\xff" + sound[begins + 3 :])

    for number, data in enumerate(spoilt):
        path = tmp_path / f"{number}.xlsx"
        path.write_bytes(data)
        with pytest.raises(LoadFailed, match="nothing was stored") as refused:
            read_workbook(path)
        assert "Not a workbook that can be read" in str(refused.value.errors[0])
