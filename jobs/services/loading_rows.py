"""Rows of cells to unsaved model instances; what is wrong is told by line and column."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from django.core.exceptions import ValidationError
from django.db import models

from jobs.services.loading_cells import CellError, Shift, value_of
from jobs.services.loading_files import LoadError, Row, Sheet, unprotect
from jobs.services.loading_tables import KEY_OF, TABLES, Column, Table

__all__ = ["Entry", "Run", "read_rows"]

_LISTED_NAMES = 8


@dataclass(slots=True)
class Entry:
    """One row on its way into the database."""

    table: Table
    file: str
    line: int
    cells: Mapping[str, str]
    values: dict[str, Any] = field(default_factory=dict)
    instance: models.Model | None = None

    def key(self) -> tuple[Any, ...] | None:
        """Return what tells this row from others, or None when a part of it could not be read."""
        parts: list[Any] = []
        for name in self.table.key:
            column = self.table.column(name)
            if unprotect(self.cells.get(name, "")) == "":
                parts.append(None)
            elif column.refers_to:
                parts.append(unprotect(self.cells[name]))
            elif name in self.values:
                parts.append(self.values[name])
            else:
                return None
        return tuple(parts)


@dataclass(slots=True)
class Run:
    """One load: what was found wrong, and the rows that other rows may name."""

    shift: Shift
    errors: list[LoadError] = field(default_factory=list)
    given: set[str] = field(default_factory=set)
    entries: dict[str, list[Entry]] = field(default_factory=lambda: {kind: [] for kind in TABLES})
    known: dict[str, dict[str, models.Model]] = field(
        default_factory=lambda: {kind: {} for kind in KEY_OF}
    )
    broken: dict[str, set[str]] = field(default_factory=lambda: {kind: set() for kind in KEY_OF})

    def fail(self, entry: Entry, column: str, message: str) -> None:
        """Note what is wrong with a row, and leave the rows that name it alone."""
        cell = unprotect(entry.cells.get(column, ""))
        error = LoadError(
            file=entry.file, line=entry.line, column=column, value=cell, message=message
        )
        self.errors.append(error)
        self.give_up(entry)

    def give_up(self, entry: Entry) -> None:
        """Take a row out: it is not stored, and rows that name it are not complained of."""
        entry.instance = None
        kind = entry.table.kind
        if kind in KEY_OF:
            self.broken[kind].add(unprotect(entry.cells.get(KEY_OF[kind], "")))
        if kind == "permits":  # without it the job would get phases of another authority
            self.broken["jobs"].add(unprotect(entry.cells.get("job", "")))

    def instances(self, kind: str) -> list[models.Model]:
        """Return the unsaved rows of a file against which nothing has been found."""
        return [e.instance for e in self.entries[kind] if e.instance is not None]

    def good(self, kind: str) -> Iterator[Entry]:
        """Yield the rows of a file against which nothing has been found."""
        return (entry for entry in self.entries[kind] if entry.instance is not None)


def read_rows(run: Run, table: Table, sheet: Sheet) -> None:
    """Turn a sheet into entries of `run`; rows that refer to others need those read before."""
    absent = _check_header(run, table, sheet)
    _look_up(run, table, sheet.rows)
    first_lines: dict[tuple[Any, ...], int] = {}
    for row in sheet.rows:
        entry = Entry(table, sheet.file, row.line, row.cells)
        run.entries[table.kind].append(entry)
        is_whole = _read_cells(run, entry, absent)
        instance = _instance(entry)
        if _is_clean(run, entry, instance) and is_whole:
            entry.instance = instance
        key = entry.key() if table.key else None
        if key is not None and key in first_lines:
            message = f"The same is on line {first_lines[key]} already. Keep one of them."
            run.fail(entry, table.key[0], message)
        elif key is not None:
            first_lines[key] = row.line
        if entry.instance is not None and table.kind in KEY_OF:
            run.known[table.kind].setdefault(str(entry.values[KEY_OF[table.kind]]), entry.instance)


def _check_header(run: Run, table: Table, sheet: Sheet) -> frozenset[str]:
    """Return the columns that must be there and are not."""
    names = [column.name for column in table.columns]
    for name in sheet.header:
        if name not in names:
            message = f"There is no such column. {sheet.file} has {', '.join(names)}."
            run.errors.append(LoadError(file=sheet.file, line=1, column=name, message=message))
    required = {column.name for column in table.columns if column.is_required}
    absent = frozenset(required - set(sheet.header))
    for name in sorted(absent):
        message = "The column is missing. Add it; every row needs a value in it."
        run.errors.append(LoadError(file=sheet.file, line=1, column=name, message=message))
    return absent


def _look_up(run: Run, table: Table, rows: Iterable[Row]) -> None:
    """Fetch the database's rows that these rows name, one query for each file named."""
    for column in table.columns:
        if not column.refers_to:
            continue
        kind = column.refers_to
        named = {unprotect(row.cells.get(column.name, "")) for row in rows}
        missing = named - {""} - set(run.known[kind]) - run.broken[kind]
        if missing:
            manager = TABLES[kind].model._default_manager
            run.known[kind] |= manager.in_bulk(sorted(missing), field_name=KEY_OF[kind])


def _read_cells(run: Run, entry: Entry, absent: frozenset[str]) -> bool:
    """Fill the entry's values and return whether the row can become an instance."""
    is_whole = True
    for column in entry.table.columns:
        cell = entry.cells.get(column.name, "")
        if unprotect(cell) == "":
            if column.is_required:
                is_whole = False
                if column.name in absent:  # told once, for the header
                    run.give_up(entry)
                else:
                    run.fail(entry, column.name, "The cell is empty. Every row needs a value here.")
            continue
        try:
            value = _named(run, column, cell) if column.refers_to else None
            if not column.refers_to:
                value = value_of(column.field, cell, run.shift)
        except CellError as error:
            run.fail(entry, column.name, str(error))
            is_whole = False
            continue
        if value is None:  # it names a row that is in error itself
            run.give_up(entry)
            is_whole = False
        entry.values[column.name] = value
    return is_whole


def _named(run: Run, column: Column, cell: str) -> models.Model | None:
    """Return the row that a cell names, or None if that row has errors of its own."""
    kind, name = column.refers_to, unprotect(cell)
    if name in run.broken[kind]:
        return None
    if name in run.known[kind]:
        return run.known[kind][name]
    names = sorted(run.known[kind])
    known = f"Write one of {', '.join(names[:_LISTED_NAMES])}" if names else "Write one that exists"
    raise CellError(
        f"Not in {kind}.csv and not in the database. {known}, or load a {kind}.csv that has it."
    )


def _instance(entry: Entry) -> models.Model:
    """Return the unsaved row; for rows of a phase its job and code are found later."""
    own = {f.name for f in entry.table.model._meta.get_fields()}
    values = {entry.table.column(name).attname: value for name, value in entry.values.items()}
    return entry.table.model(**{name: value for name, value in values.items() if name in own})


def _is_clean(run: Run, entry: Entry, instance: models.Model) -> bool:
    """Run the model's validators on what could be read, without a query; tell whether they pass."""
    columns = {c.attname: c.name for c in entry.table.columns if not c.refers_to}
    readable = {
        column.attname
        for column in entry.table.columns
        if column.name in entry.values
        or not (column.is_required or unprotect(entry.cells.get(column.name, "")))
    }
    unread = {f.name for f in instance._meta.fields} - (readable & set(columns))
    is_clean = True
    for validate in (partial(instance.clean_fields, exclude=unread), instance.clean):
        try:
            validate()
        except ValidationError as error:
            messages = error.message_dict if hasattr(error, "error_dict") else {"": error.messages}
            for name, texts in messages.items():
                if name not in unread:  # what could not be read was told already
                    run.fail(entry, columns.get(name, entry.table.columns[0].name), " ".join(texts))
                    is_clean = False
    return is_clean
