"""A dry run that tells the fate of every row, and loading exactly what was checked."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import timedelta
from enum import Enum
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING
from uuid import UUID, uuid4

from django.db import transaction
from django.utils import timezone

from jobs.models import CheckedFile
from jobs.services.loading import LoadFailed, LoadReport, load, run_through
from jobs.services.loading_cells import Shift
from jobs.services.loading_files import LoadError, unprotect
from jobs.services.loading_rows import Entry, Run
from jobs.services.workbooks import LARGEST_BYTES

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import datetime

    from django.contrib.auth.models import User

MOST_FILES = 40
KEPT_FOR = timedelta(days=1)


class ImportRefused(Exception):  # noqa: N818 - what happened, not a defect
    """The files cannot be taken at all; the text says why and what to do."""


class Fate(Enum):
    """What becomes of a row."""

    STORED = "is stored"
    REFUSED = "refused"
    HELD = "not stored, as what it belongs to is refused"


@dataclass(frozen=True, slots=True)
class RowFate:
    """One row of a file: what names it, what becomes of it, and what is said of it."""

    file: str
    line: int
    name: str
    fate: Fate
    told: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DryRun:
    """
    What loading the files would do. Nothing is stored unless every row can be.

    `wrong` is what is said of whole files; `batch` names the kept files, where they can be loaded.
    """

    rows: tuple[RowFate, ...]
    wrong: tuple[LoadError, ...]
    counts: Mapping[str, int]
    batch: UUID | None

    @property
    def refused(self) -> list[RowFate]:
        """Return the rows that keep all others from being stored."""
        return [row for row in self.rows if row.fate is not Fate.STORED]


def dry_run(*, files: Mapping[str, bytes], now: datetime, by: User) -> DryRun:
    """
    Return the fate of every row of files given by name; nothing of them is stored as rows.

    Files in which nothing is wrong are kept for a day, so that `load_checked` loads just these.

    Raises
    ------
    ImportRefused
        If there is no file, or too many, or one is too large.
    """
    _check(files)
    run = Run(Shift(0, timezone.get_default_timezone()))
    cautions: Sequence[LoadError] = ()
    errors: Sequence[LoadError] = ()
    with TemporaryDirectory() as directory:
        try:
            cautions = run_through(run, _written(files, directory), now=now, dry_run=True)
        except LoadFailed as failed:
            errors = failed.errors
    batch = None if errors else _keep(files, now, by)
    return DryRun(
        rows=tuple(_fates(run, errors, cautions)),
        wrong=tuple(error for error in errors if error.line is None or error.line == 1),
        counts={kind: len(rows) for kind, rows in run.entries.items() if kind in run.given},
        batch=batch,
    )


@transaction.atomic
def load_checked(*, batch: UUID, now: datetime, by: User) -> LoadReport:
    """
    Return what was stored from files that were checked; they are not kept any longer.

    Raises
    ------
    ImportRefused
        If they are loaded already, someone else's, or older than a day.
    LoadFailed
        If the database has changed since so that they cannot be stored any more.
    """
    rows = CheckedFile.objects.select_for_update().filter(batch=batch, by=by)
    found = [row for row in rows if row.checked_at > now - KEPT_FOR]
    if not found:
        raise ImportRefused("These files are not there any more. Check them once more.")
    with TemporaryDirectory() as directory:
        paths = _written({row.name: bytes(row.data) for row in found}, directory)
        report = load(paths=paths, now=now)
    CheckedFile.objects.filter(batch=batch).delete()
    return report


def forget_checked_files(*, now: datetime) -> int:
    """Delete files that were checked more than a day ago and never loaded; return how many."""
    return CheckedFile.objects.filter(checked_at__lte=now - KEPT_FOR).delete()[0]


def _check(files: Mapping[str, bytes]) -> None:
    if not files:
        raise ImportRefused("No file was chosen. Choose CSV files, or a workbook (XLSX).")
    if len(files) > MOST_FILES:
        raise ImportRefused(f"There are more than {MOST_FILES} files. Choose fewer at a time.")
    for name, data in files.items():
        if len(data) > LARGEST_BYTES:
            size = f"{LARGEST_BYTES // 1_000_000} MB"
            raise ImportRefused(f"{name} is larger than {size}. Split it.")


def _written(files: Mapping[str, bytes], directory: str) -> list[Path]:
    """Write the files where they can be read from; only the last part of a name counts."""
    paths = []
    for name, data in files.items():
        path = Path(directory) / (Path(name).name or "unnamed")
        path.write_bytes(data)
        paths.append(path)
    return paths


def _keep(files: Mapping[str, bytes], now: datetime, by: User) -> UUID:
    batch = uuid4()
    with transaction.atomic():
        forget_checked_files(now=now)
        CheckedFile.objects.filter(by=by).delete()  # one at a time is enough for a person
        CheckedFile.objects.bulk_create(
            [
                CheckedFile(batch=batch, name=name[-120:], data=data, by=by, checked_at=now)
                for name, data in files.items()
            ]
        )
    return batch


def _fates(
    run: Run, errors: Sequence[LoadError], cautions: Sequence[LoadError]
) -> Iterator[RowFate]:
    """Yield every row in the order of its file; also those with too many cells to be read."""
    told: dict[tuple[str, int], list[LoadError]] = defaultdict(list)
    for error in errors:
        told[error.file, error.line or 0].append(error)
    unusual: dict[tuple[str, int], list[LoadError]] = defaultdict(list)
    for caution in cautions:
        unusual[caution.file, caution.line or 0].append(caution)
    seen = set()
    for entries in run.entries.values():
        for entry in entries:
            place = entry.file, entry.line
            seen.add(place)
            wrong = told.get(place, ())
            fate = Fate.STORED
            if wrong:
                fate = Fate.REFUSED
            elif entry.instance is None:
                fate = Fate.HELD
            said = tuple(_words(one) for one in (*wrong, *unusual.get(place, ())))
            yield RowFate(entry.file, entry.line, _name(entry), fate, said)
    for (file, line), wrong in told.items():
        if line > 1 and (file, line) not in seen:
            yield RowFate(file, line, "", Fate.REFUSED, tuple(_words(one) for one in wrong))


def _words(error: LoadError) -> str:
    where = f"{error.column} {error.value}".strip()
    return f"{where}: {error.message}" if where else error.message


def _name(entry: Entry) -> str:
    """Return what people call a row: the cells that tell it from others, else its first ones."""
    names = entry.table.key or tuple(column.name for column in entry.table.columns[:3])
    return ", ".join(filter(None, (unprotect(entry.cells.get(name, "")) for name in names)))
