"""XLSX workbooks in and out: a sheet for each kind of file, with the same columns and cells."""

from __future__ import annotations

import io
import logging
import re
import zipfile
from contextlib import contextmanager
from datetime import date, datetime, time, timedelta
from typing import IO, TYPE_CHECKING, Any, BinaryIO
from xml.parsers.expat import ExpatError, ParserCreate

from openpyxl import Workbook, load_workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Font

from jobs.services.loading_files import LoadError, LoadFailed, Sheet, sheet_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path

logger = logging.getLogger(__name__)

__all__ = ["LARGEST_BYTES", "NO_RESULT", "read_workbook", "workbook_of"]

# A firm of 200 jobs with its reports is about a tenth of it.
LARGEST_BYTES = 10_000_000
# A small file that unpacks to more than this was made to do harm.
LARGEST_UNPACKED_BYTES = 100_000_000
MOST_ROWS = 100_000
MOST_COLUMNS = 200
# Of XML, in one part; a row of 30 cells has about 60.
MOST_ELEMENTS = 2_000_000
MIDNIGHT = time()
NO_RESULT = (
    "A formula whose result was not saved. Open the workbook in a spreadsheet and save it there, "
    "or type the value."
)
# An element f, under whatever prefix. Source: ISO/IEC 29500-1, 18.3.1.40, from memory.
_FORMULA = re.compile(rb"<(?:\w+:)?f[\s/>]")
_CHUNK_BYTES = 100_000
_TOO_MUCH = f"There are more than {MOST_ROWS:,} rows or {MOST_COLUMNS} columns. Split it."
_BROKEN = "Not a workbook that can be read. Save it as XLSX, or each sheet as CSV UTF-8."


def read_workbook(path: Path) -> list[tuple[Sheet, list[LoadError]]]:
    """
    Return a workbook's sheets that hold something, each with what is wrong with its form.

    A cell has the text that a CSV file would have: dates as 2026-11-23, yes and no for true and
    false. What a formula shows is read, as it was when the workbook was saved; one that was saved
    without a result, as programs do that do not compute, is an error of its cell.

    Raises
    ------
    LoadFailed
        If it cannot be read at all, or is too large.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise _failed(path, f"Cannot be read: {error.strerror}. Check the path.") from error
    sheets = []
    with _spoilt_is_told(path):
        _check_size(path, data)
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        try:
            for page in book.worksheets:
                name = f"{path.name}, sheet {page.title}"
                rows = _records(name, page)
                if rows:
                    sheet, errors = sheet_of(name, rows)
                    sheets.append((sheet, errors + _without_result(data, page.title, sheet)))
        finally:
            book.close()
    if not sheets:
        raise _failed(path, "There is nothing in it. Write the column names first.")
    return sheets


def workbook_of(tables: Iterable[tuple[str, Sequence[str], Iterable[Sequence[str]]]]) -> bytes:
    """
    Return a workbook with a sheet for each kind, from its columns and its cells.

    Cells are written as text, also where they begin like a formula, so nothing is computed and
    every cell is read back as it is.
    """
    book = Workbook(write_only=True)
    for kind, columns, rows in tables:
        page = book.create_sheet(kind)
        page.freeze_panes = "A2"
        page.append([_cell(page, name, is_head=True) for name in columns])
        for row in rows:
            page.append([_cell(page, text) if text else None for text in row])
    out: BinaryIO = io.BytesIO()
    book.save(out)
    out.seek(0)
    return out.read()


def _cell(page: Any, text: str, *, is_head: bool = False) -> WriteOnlyCell:
    cell = WriteOnlyCell(page, value=text)
    cell.data_type = "s"
    if is_head:
        cell.font = Font(bold=True)
    return cell


@contextmanager
def _spoilt_is_told(path: Path) -> Iterator[None]:
    """Refuse a workbook that its reader stumbles over, by whatever exception that shows."""
    try:
        yield
    except LoadFailed:
        raise
    except Exception as error:
        # openpyxl checks little: a spoilt part shows as an error of XML, of a type, of an index …
        logger.warning("The workbook %s cannot be read", path.name, exc_info=error)
        raise _failed(path, _BROKEN) from error


def _failed(path: Path, message: str) -> LoadFailed:
    return LoadFailed([LoadError(file=path.name, message=message)])


def _check_size(path: Path, data: bytes) -> None:
    """Refuse what is too large, packed or unpacked, before anything of it is read."""
    if len(data) > LARGEST_BYTES:
        size = f"{LARGEST_BYTES // 1_000_000} MB"
        raise _failed(path, f"The file is larger than {size}. Split it by sheets.")
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        parts = packed.infolist()
        if sum(part.file_size for part in parts) > LARGEST_UNPACKED_BYTES:
            raise _failed(path, "It unpacks to too much. Split it by sheets.")
        for part in parts:
            with packed.open(part) as file:
                try:
                    _check_elements(file)
                except _Harmful as harm:
                    raise _failed(path, str(harm)) from harm


class _Harmful(Exception):  # noqa: N818 - an answer with its reason
    """A part that no workbook has, or that would take more memory than any is worth."""


class _Elements:
    """
    What an XML part holds, counted as it goes by.

    A row is kept whole by its reader before anybody can ask how wide it is, and texts that cells
    share are kept all: a file of 80 kB can so take gigabytes. Entities could grow at will, and no
    workbook declares a document type for them.
    """

    def __init__(self) -> None:
        self.number = self.in_row = 0

    def begin(self, name: str, _attributes: object) -> None:
        """Count an element."""
        kind = name.rpartition(":")[2]
        self.number += 1
        self.in_row = 0 if kind == "row" else self.in_row + (kind == "c")
        if self.in_row > MOST_COLUMNS or self.number > MOST_ELEMENTS:
            raise _Harmful(_TOO_MUCH)

    def declare(self, *_type: object) -> None:
        """Refuse a document type."""
        raise _Harmful(_BROKEN)


def _check_elements(file: IO[bytes]) -> None:
    """Read a part as its readers will, in whatever encoding and under whatever name it is XML."""
    elements, parser = _Elements(), ParserCreate()
    parser.StartElementHandler = elements.begin
    parser.StartDoctypeDeclHandler = elements.declare
    try:
        while chunk := file.read(_CHUNK_BYTES):
            parser.Parse(chunk)
    except ExpatError:  # no XML, or broken: whoever wants to read it will say so
        return


def _records(name: str, page: Any) -> list[tuple[int, list[str]]]:
    """Return each row that has a cell with its number, as wide as the head."""
    records: list[tuple[int, list[str]]] = []
    width = 0
    for line, cells in enumerate(page.iter_rows(values_only=True), start=1):
        if line > MOST_ROWS or len(cells) > MOST_COLUMNS:
            raise LoadFailed([LoadError(file=name, message=_TOO_MUCH)])
        texts = [_text(value) for value in cells]
        if not any(texts):
            continue
        if not records:
            width = max(n for n, text in enumerate(texts, start=1) if text)
        # What is left of a row beyond the head, if empty, is only how wide the sheet once was.
        while len(texts) > width and not texts[-1]:
            texts.pop()
        records.append((line, texts + [""] * (width - len(texts))))
    return records


def _without_result(data: bytes, title: str, sheet: Sheet) -> list[LoadError]:
    """Return an error for each cell of a column with a formula that shows nothing."""
    if not _has_formulas(data):
        return []
    book = load_workbook(io.BytesIO(data), read_only=True)
    try:
        shown = {row.line: row.cells for row in sheet.rows}
        return [
            LoadError(
                file=sheet.file, line=line, column=column, value=cell.value, message=NO_RESULT
            )
            for line, cells in enumerate(book[title].iter_rows(), start=1)
            if line in shown
            for column, cell in zip(sheet.header, cells, strict=False)
            if cell.data_type == "f" and not shown[line].get(column)
        ]
    finally:
        book.close()


def _has_formulas(data: bytes) -> bool:
    """Return whether any sheet has a formula: most have none, and are read only once."""
    with zipfile.ZipFile(io.BytesIO(data)) as packed:
        for part in packed.infolist():
            if not part.filename.startswith("xl/worksheets/"):
                continue
            with packed.open(part) as file:
                end = b""
                while chunk := file.read(_CHUNK_BYTES):
                    if _FORMULA.search(end + chunk):
                        return True
                    end = chunk[-100:]
    return False


def _text(value: Any) -> str:
    """Return a cell's value as a CSV file has it."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return repr(value).removesuffix(".0")
    if isinstance(value, datetime):
        if value.time() == MIDNIGHT:
            return value.date().isoformat()
        # A spreadsheet counts days in fractions; the nearest second is what was typed.
        rounded = (value + timedelta(microseconds=500_000)).replace(microsecond=0)
        return rounded.strftime("%Y-%m-%d %H:%M:%S" if rounded.second else "%Y-%m-%d %H:%M")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, time):
        return value.strftime("%H:%M")
    return str(value).replace("\r\n", "\n")
