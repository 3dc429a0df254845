"""
Whatever bytes come in as a file: it is read, or refused in words.

Files of the import page are CSV (RFC 4180) and XLSX (ECMA-376: parts of XML in a ZIP archive).
"""

import io
import tempfile
import zipfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from jobs.services.loading_files import LoadFailed, Sheet, read_sheet
from jobs.services.workbooks import read_workbook, workbook_of

MANY = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def check_words(failed: LoadFailed) -> None:
    """A refusal says in each of its faults what is wrong, and where."""
    assert failed.errors
    for error in failed.errors:
        assert error.file in str(error)
        assert error.message.endswith(".")


def sheets_of(path: Path) -> list[Sheet]:
    """Return what can be read of a file; a refusal must be one in words."""
    try:
        if path.suffix == ".xlsx":
            return [sheet for sheet, _ in read_workbook(path)]
        return [read_sheet(path)[0]]
    except LoadFailed as failed:
        check_words(failed)
        return []


def read(name: str, data: bytes) -> list[Sheet]:
    with tempfile.TemporaryDirectory() as directory:
        path = Path(directory) / name
        path.write_bytes(data)
        return sheets_of(path)


PIECES = st.sampled_from(
    [b",", b"\n", b"\r", b'"', b'""', b"\xff\xfe", b"\xef\xbb\xbf", b"\0", b"a", b";", b"\xe9"]
)


@MANY
@given(st.binary(max_size=300) | st.lists(PIECES, max_size=40).map(b"".join))
def test_any_bytes_are_a_sheet_or_are_refused(data: bytes) -> None:
    for sheet in read("jobs.csv", data):
        assert all(len(row.cells) == len(sheet.header) for row in sheet.rows) or len(
            set(sheet.header)
        ) < len(sheet.header)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-32", "cp1252", "utf-8-sig", "shift-jis"])
def test_a_file_in_another_encoding_is_refused_or_read_the_same(encoding: str) -> None:
    text = "name,kind\nBohrgerät é,AUGER\n"
    data = text.encode(encoding, errors="replace")

    for sheet in read("equipment.csv", data):
        assert encoding == "utf-8-sig" or "?" in data.decode(encoding)
        assert sheet.header == ("name", "kind")


def book() -> bytes:
    """Return a sound workbook of two sheets."""
    return workbook_of(
        [
            ("equipment", ("name", "kind"), [("Auger rig 1", "AUGER"), ("Lift", "TELEHANDLER")]),
            ("days_off", ("first_day", "last_day", "reason"), [("2026-11-27", "", "Friday")]),
        ]
    )


def parts_of(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        return {name: packed.read(name) for name in packed.namelist()}


def packed(parts: dict[str, bytes], how: int = zipfile.ZIP_DEFLATED) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", how) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return out.getvalue()


PARTS = parts_of(book())
SWAPS = st.sampled_from(
    [
        (b't="s"', b't="d"'),
        (b't="s"', b't="n"'),
        (b't="s"', b't="e"'),
        (b't="s"', b't="b"'),
        (b't="s"', b't="zz"'),
        (b"<v>0</v>", b"<v>999999</v>"),
        (b"<v>0</v>", b"<v>-1</v>"),
        (b"<v>0</v>", b"<v>1e999</v>"),
        (b"<v>0</v>", b"<v></v>"),
        (b"<v>0</v>", b"<v>x</v>"),
        (b'r="A1"', b'r="ZZZZ1"'),
        (b'r="A1"', b'r="A0"'),
        (b'r="A1"', b'r="1A"'),
        (b'r="A2"', b'r="XFD1048576"'),
        (b'r="2"', b'r="99999999999"'),
        (b'r="2"', b'r="-2"'),
        (b'r="2"', b'r="x"'),
        (b'r="1"', b's="99999"'),
        (b"</row>", b""),
        (b"<sheetData>", b"<sheetData><sheetData>"),
        (b"sheet1.xml", b"sheet9.xml"),
        (b"rId1", b"rId9"),
        (b"<?xml", b"<!DOCTYPE a><?xml"),
        (b"UTF-8", b"UTF-7"),
        (b"main", b"other"),
        (b"applyAlignment", b"<"),
        (b'count="', b'count="x'),
        (b'numFmtId="0"', b'numFmtId="14"'),
        (b'numFmtId="0"', b'numFmtId="x"'),
    ]
)
NAMES = st.sampled_from(sorted(PARTS))


@MANY
@given(st.lists(st.tuples(NAMES, SWAPS), max_size=4), st.sets(NAMES, max_size=1))
@example([("xl/worksheets/sheet1.xml", (b"</row>", b""))], set())
def test_a_workbook_whose_parts_are_spoilt_is_read_or_refused(
    swaps: list[tuple[str, tuple[bytes, bytes]]], left_out: set[str]
) -> None:
    parts = {name: data for name, data in PARTS.items() if name not in left_out}
    for name, (old, new) in swaps:
        if name in parts:
            parts[name] = parts[name].replace(old, new)

    read("book.xlsx", packed(parts))


@MANY
@given(NAMES, st.integers(0, 10_000), st.binary(min_size=1, max_size=6))
def test_a_workbook_with_any_bytes_in_a_part_is_read_or_refused(
    name: str, at: int, new: bytes
) -> None:
    old = PARTS[name]
    at %= len(old)

    read("book.xlsx", packed({**PARTS, name: old[:at] + new + old[at + len(new) :]}))


@MANY
@given(st.integers(0, 100_000), st.binary(min_size=1, max_size=4))
def test_a_workbook_with_any_bytes_of_its_archive_changed_is_read_or_refused(
    at: int, new: bytes
) -> None:
    whole = book()
    at %= len(whole)

    read("book.xlsx", whole[:at] + new + whole[at + len(new) :])


@given(st.binary(max_size=60))
def test_any_bytes_called_a_workbook_are_refused(data: bytes) -> None:
    assert read("book.xlsx", data) == []


@pytest.mark.parametrize("how", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_a_workbook_packed_another_way_is_read_or_refused(how: int) -> None:
    read("book.xlsx", packed(PARTS, how))
