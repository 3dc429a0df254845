"""
Reading CSV files into rows that know their line, and writing files that come back the same.

Text cells pass through `protect` on the way out and `unprotect` on the way in: a spreadsheet takes
a cell that begins with = + - or @ for a formula, so such text is written with an apostrophe before
it, the way spreadsheets themselves mark text.
"""

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

__all__ = [
    "LoadError",
    "LoadFailed",
    "Row",
    "Sheet",
    "protect",
    "read_sheet",
    "sheet_of",
    "unprotect",
    "write",
]

# The wide ones of East Asian keyboards too. Source: OWASP, CSV Injection (from memory).
_NEEDS_MARK = "=+-@＝＋－＠\t\r\n'"


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadError:
    """What is wrong with one cell, row or file, and what to write instead."""

    file: str
    message: str
    line: int | None = None
    column: str = ""
    value: str = ""

    def __str__(self) -> str:
        where = self.file
        if self.line is not None:
            where += f", line {self.line}"
        if self.column:
            where += f", column {self.column}"
        told = f"{self.value} – {self.message}" if self.value else self.message
        return f"{where}: {told}"


class LoadFailed(Exception):  # noqa: N818 - what happened, not a defect
    """Nothing was stored; `errors` has everything that was found wrong."""

    def __init__(self, errors: Iterable[LoadError]) -> None:
        self.errors = tuple(errors)
        super().__init__(f"{len(self.errors)} errors, nothing was stored")


@dataclass(frozen=True, slots=True)
class Row:
    """One record: the line of the file it begins on (the header is line 1) and its cells."""

    line: int
    cells: dict[str, str]


@dataclass(frozen=True, slots=True)
class Sheet:
    """One file's header and rows."""

    file: str
    header: tuple[str, ...]
    rows: tuple[Row, ...]


def protect(text: str) -> str:
    """Return `text` as a cell that no spreadsheet takes for a formula; `unprotect` undoes it."""
    if text and (text[0] in _NEEDS_MARK or text != text.strip()):
        return "'" + text
    return text


def unprotect(cell: str) -> str:
    """Return the text of a cell: marked text as it stands, all other text without outer spaces."""
    marked = cell[1:]
    if cell.startswith("'") and marked and (marked[0] in _NEEDS_MARK or marked != marked.strip()):
        return marked
    return cell.strip()


def write(path: Path, header: Sequence[str], rows: Iterable[Sequence[str]]) -> int:
    """Write a new CSV file in UTF-8 and return its number of rows; an existing file is refused."""
    count = 0
    with path.open("x", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(header)
        for row in rows:
            writer.writerow(row)
            count += 1
    return count


def read_sheet(path: Path) -> tuple[Sheet, list[LoadError]]:
    """
    Return a file's rows and what is wrong with its form.

    Raises
    ------
    LoadFailed
        If nothing can be read from it at all: missing, empty, not UTF-8, broken quotes.
    """
    return sheet_of(path.name, _records(path.name, _text(path)))


def sheet_of(name: str, records: Sequence[tuple[int, list[str]]]) -> tuple[Sheet, list[LoadError]]:
    """
    Return the sheet that records, each with its line, make, and what is wrong with its form.

    Raises
    ------
    LoadFailed
        If there is no header.
    """
    header = tuple(cell.strip() for cell in records[0][1]) if records else ()
    if not any(header):
        raise LoadFailed(
            [LoadError(file=name, message="The file is empty. Write the column names first.")]
        )
    errors = _header_errors(name, header)
    rows = []
    for line, cells in records[1:]:
        if len(cells) == len(header):
            rows.append(Row(line, dict(zip(header, cells, strict=True))))
            continue
        message = (
            f"The row has {len(cells)} cells and the header has {len(header)} columns. "
            "Write one cell for each column; put quotes around text that has a comma."
        )
        errors.append(LoadError(file=name, line=line, message=message))
    return Sheet(name, header, tuple(rows)), errors


def _text(path: Path) -> str:
    try:
        data = path.read_bytes()
    except OSError as error:
        message = f"Cannot be read: {error.strerror}. Check the path."
        raise LoadFailed([LoadError(file=path.name, message=message)]) from error
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        message = f"Byte 0x{data[error.start]:02X} is not UTF-8. Save the file as CSV UTF-8."
        line = data.count(b"\n", 0, error.start) + 1
        raise LoadFailed([LoadError(file=path.name, line=line, message=message)]) from error
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        message = "There is a NUL character. Save the file as CSV UTF-8."
        raise LoadFailed([LoadError(file=path.name, line=line, message=message)])
    return text


def _records(file: str, text: str) -> list[tuple[int, list[str]]]:
    """Return each record with the line it begins on; lines without any cell are left out."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    records = []
    line = 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                records.append((line, cells))
            line = reader.line_num + 1
    except csv.Error as error:
        message = f'The quotes of the row that begins here do not match ({error}). Write " as "".'
        raise LoadFailed([LoadError(file=file, line=line, message=message)]) from error
    return records


def _header_errors(file: str, header: tuple[str, ...]) -> list[LoadError]:
    errors = []
    if len(header) == 1 and any(mark in header[0] for mark in ";\t|"):
        message = "The columns are not set apart by commas. Save the file as CSV with commas."
        errors.append(LoadError(file=file, line=1, value=header[0], message=message))
    for name in sorted({name for name in header if header.count(name) > 1}):
        message = "The column is there twice. Keep one."
        errors.append(LoadError(file=file, line=1, column=name, message=message))
    return errors
