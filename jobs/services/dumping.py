"""Writing the database's rows as the CSV files that `load` reads."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from django.db import connection, models, transaction
from django.db.models import Q

from contractor.trade.phases import REWORK
from inspections.models import Inspection, InspectionEvent, Pour, PourReading, SiteReadiness
from jobs.models import Callback, FieldReport, LeftOutWork, LentPeople, Phase, SetAside
from jobs.services.loading_cells import cell_of
from jobs.services.loading_files import protect, write
from jobs.services.loading_pours import behind, rows_of_pours
from jobs.services.loading_tables import KEY_OF, TABLES, Column, Table
from jobs.services.workbooks import workbook_of

__all__ = ["DumpRefused", "dump", "dump_workbook"]

_OF_PHASES = (Inspection, FieldReport, LeftOutWork)
_HAS_HISTORY = (
    Q(code__in=REWORK)  # the building does not make it again, so the file must
    | Q(parts__gt=1)
    | Q(started_at__isnull=False)
    | Q(done_at__isnull=False)
    | Q(office_hours__isnull=False)
    | Q(pinned_crew__isnull=False)
    | Q(pinned_start_at__isnull=False)
)


class DumpRefused(Exception):  # noqa: N818 - what happened, not a defect
    """The directory cannot take the files."""


def dump(*, directory: Path, kinds: Sequence[str] = tuple(TABLES)) -> dict[str, int]:
    """
    Return how many rows of each kind were written to `directory`, one CSV file each.

    Raises
    ------
    DumpRefused
        If one of the files is there already: a dump never writes over another.
    """
    directory.mkdir(parents=True, exist_ok=True)
    for kind in kinds:
        if (directory / f"{kind}.csv").exists():
            raise DumpRefused(f"{directory} has a {kind}.csv already. Name an empty directory.")
    with _one_moment():
        return {kind: _dump_table(directory, TABLES[kind]) for kind in kinds}


def dump_workbook(*, kinds: Sequence[str] = tuple(TABLES)) -> bytes:
    """Return the rows as one XLSX workbook with a sheet of each kind that has rows."""
    with _one_moment():
        tables = [(kind, *_told(TABLES[kind])) for kind in kinds]
        return workbook_of((kind, header, rows) for kind, header, rows in tables if rows)


@contextmanager
def _one_moment() -> Iterator[None]:
    """
    Read everything inside as of one moment, whatever others save meanwhile.

    SQLite's transactions are that by themselves; PostgreSQL's only at this level, which cannot be
    asked for inside a transaction of the caller's: then the caller's own level holds.
    """
    is_outermost = not connection.in_atomic_block
    with transaction.atomic():
        if is_outermost and connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        yield


def _dump_table(directory: Path, table: Table) -> int:
    header, rows = _told(table)
    return write(directory / f"{table.kind}.csv", header, rows)


def _told(table: Table) -> tuple[list[str], list[tuple[str, ...]]]:
    """Return a table's columns and the cells of its rows."""
    found = _added_up(_rows(table)) if table.model is LentPeople else _rows(table)
    rows = (tuple(_cells(table, row)) for row in found)
    # The same day off twice says no more than once; two equal doors are two doors.
    told = dict.fromkeys(rows) if table.key else rows
    return [column.name for column in table.columns], list(told)


def _added_up(rows: Iterable[LentPeople]) -> list[LentPeople]:
    """Return lends with those of the same days and note as one: a file names each once."""
    found: dict[tuple[object, ...], LentPeople] = {}
    for row in rows:
        key = (row.from_crew_id, row.to_crew_id, row.first_day, row.last_day, row.note)
        if key in found:
            found[key].people += row.people
        else:
            found[key] = row
    return list(found.values())


def _rows(table: Table) -> models.QuerySet[Any]:
    rows = table.model._default_manager.order_by("pk")
    # A phase left out of its job is not made again by loading, so nothing can be told of it.
    if table.model is Phase:
        rows = rows.filter(_HAS_HISTORY).exclude(status=Phase.Status.DROPPED)
        rows = rows.order_by("job_id", "sequence", "part")
    if table.model is FieldReport:
        rows = rows.order_by("made_at", "pk")
    if table.model in _OF_PHASES:
        rows = rows.exclude(phase__status=Phase.Status.DROPPED)
        more = ("crew",) if table.model is FieldReport else ()
        return rows.select_related("phase__job", *more)
    if table.model is InspectionEvent:
        rows = rows.exclude(inspection__phase__status=Phase.Status.DROPPED)
        return rows.select_related("by", "undoes", "inspection__phase__job")
    if table.model in (Pour, PourReading):
        return rows_of_pours(rows)
    if table.model is SiteReadiness:
        return rows.select_related("job", "released_by")
    if table.model is Callback:
        return rows.select_related("job", "round__crew")
    related = [column.attname for column in table.columns if column.refers_to]
    return rows.select_related(*related) if related else rows


def _cells(table: Table, row: Any) -> Iterator[str]:
    """Yield a row's cells in the order of the columns."""
    for column in table.columns:
        owner = row
        if isinstance(owner, InspectionEvent) and column.field.model is not InspectionEvent:
            owner = owner.inspection
        if isinstance(owner, Callback) and column.field.model is SetAside:
            owner = owner.round
        if isinstance(owner, _OF_PHASES) and column.field.model is Phase:
            owner = owner.phase
        if owner is None:
            yield ""  # a callback without a visit
            continue
        is_share = table.model is Phase and column.name == "share_done"
        if is_share and row.status != Phase.Status.UNDER_WAY:
            yield ""
        else:
            told = _signed(row, column.name)
            yield _cell(column, told or getattr(behind(owner, column), column.attname))


def _signed(row: Any, name: str) -> str:
    """Return a text with the sign-in that goes with it, as people are not in these files."""
    if isinstance(row, InspectionEvent) and name == "said_by":
        return row.teller[:60]
    if isinstance(row, InspectionEvent) and name == "note" and row.undoes:
        return row.note or f"undo of line {row.undoes.number}"
    if isinstance(row, SiteReadiness) and name == "release_why" and row.released_by:
        signed = f" (released by {row.released_by})"
        return row.release_why[: 200 - len(signed)] + signed
    return ""


def _cell(column: Column, value: Any) -> str:
    if column.refers_to and value is not None:
        return protect(getattr(value, KEY_OF[column.refers_to]))
    return cell_of(column.field, value)
