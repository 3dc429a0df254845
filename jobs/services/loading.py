"""
Loading CSV files and workbooks, all or nothing.

Every row of every file is read and checked before anything is said, so that one run tells all that
is wrong. docs/import.md has the columns.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import cast

from django.db import IntegrityError, transaction
from django.db.models import Model
from django.utils import timezone

from crews.models import DayOff, HolidayYear
from jobs.models import Job
from jobs.selectors.buildings import rates
from jobs.services import loading_checks as checks
from jobs.services.intake import refresh_phases
from jobs.services.loading_cells import Shift
from jobs.services.loading_files import LoadError, LoadFailed, Sheet, read_sheet
from jobs.services.loading_phases import (
    add_parts,
    add_rework,
    apply_history,
    attach_inspections,
    attach_left_out,
    attach_visit_record,
    mark_part_passes,
    store_reports,
)
from jobs.services.loading_pours import attach_pours, attach_readings
from jobs.services.loading_rows import Entry, Run, read_rows
from jobs.services.loading_tables import TABLES
from jobs.services.workbooks import NO_RESULT, read_workbook

__all__ = ["LoadError", "LoadFailed", "LoadReport", "load", "run_through"]

_AFTER_PHASES = (*checks.PHASES_KNOWN_LATER, "reports")
_BEFORE_PHASES = [kind for kind in TABLES if kind not in _AFTER_PHASES]


@dataclass(frozen=True, slots=True)
class LoadReport:
    """How many rows of each file were stored, and what is unusual about them."""

    counts: Mapping[str, int]
    cautions: tuple[LoadError, ...]


def load(
    *,
    paths: Sequence[Path],
    shift_days: int = 0,
    dry_run: bool = False,
    now: datetime | None = None,
) -> LoadReport:
    """
    Return what was stored from the files, given in any order.

    A file's name without its ending tells what it holds. `shift_days` moves every date and moment,
    the time of day kept. With `now`, work reported from the future is refused. A dry run checks
    everything and stores nothing.

    Raises
    ------
    LoadFailed
        If anything is wrong with any file; then nothing is stored.
    """
    run = Run(Shift(shift_days, timezone.get_default_timezone()))
    cautions = run_through(run, paths, now=now, dry_run=dry_run)
    counts = {kind: len(rows) for kind, rows in run.entries.items() if kind in run.given}
    return LoadReport(counts, tuple(cautions))


def run_through(
    run: Run, paths: Sequence[Path], *, now: datetime | None, dry_run: bool
) -> list[LoadError]:
    """Read, check and store all files through `run`, and return the cautions. Raises LoadFailed."""
    sheets = _sheets(run, paths)
    run.given.update(sheets)
    with transaction.atomic():
        for kind, table in TABLES.items():
            if kind in sheets:
                read_rows(run, table, sheets[kind])
        cautions = _check(run, now)
        for kind in _BEFORE_PHASES:
            if kind == "callbacks":
                checks.attach_rounds(run)
            _store(run, kind)
        _store_phases(run, now)
        if run.errors:
            raise LoadFailed(_in_order(run, paths))
        transaction.set_rollback(dry_run)
    return cautions


def _sheets(run: Run, paths: Sequence[Path]) -> dict[str, Sheet]:
    """Return the sheets by kind; a file that cannot be read is noted and left out."""
    sheets: dict[str, Sheet] = {}
    for path in paths:
        try:
            for kind, sheet, errors in _read(path):
                if kind in sheets:
                    message = "Given twice. Give it once."
                    run.errors.append(LoadError(file=sheet.file, message=message))
                    continue
                sheets[kind] = sheet
                run.errors.extend(errors)
        except LoadFailed as failed:
            run.errors.extend(failed.errors)
    if any(error.file not in {sheet.file for sheet in sheets.values()} for error in run.errors):
        raise LoadFailed(run.errors)  # what the other files refer to is unknown
    return sheets


def _read(path: Path) -> Iterator[tuple[str, Sheet, list[LoadError]]]:
    """Yield what a file holds: its kind, its rows, and what is wrong with their form."""
    ending = path.suffix.lower()
    if ending == ".xlsx":
        for sheet, errors in read_workbook(path):
            kind = sheet.file.rpartition(", sheet ")[2].strip().lower()
            if kind not in TABLES:
                message = f"Not a sheet we know. Name it {', '.join(TABLES)}, or take it out."
                raise LoadFailed([LoadError(file=sheet.file, message=message)])
            yield kind, sheet, errors
    elif ending == ".csv" and path.stem in TABLES:
        yield path.stem, *read_sheet(path)
    else:
        message = f"Not a file we know. Name it {', '.join(f'{kind}.csv' for kind in TABLES)}."
        raise LoadFailed([LoadError(file=path.name, message=message)])


def _check(run: Run, now: datetime | None) -> list[LoadError]:
    """Check what can be checked before anything is stored, and return the cautions."""
    checks.check_firm(run)
    checks.check_rates(run)
    checks.check_callbacks(run)
    checks.refuse_parts_of_stored_jobs(run)
    checks.make_room_for_deliveries(run)
    checks.make_room_for_rules(run)
    today = timezone.localdate(now) if now else date.max
    checks.refuse_facts_to_come(run, today=today)
    for table in TABLES.values():
        checks.refuse_existing(run, table)
    checks.check_crew_time(run)
    return checks.check_buildings(run, today=today)


def _store(run: Run, kind: str) -> None:
    """
    Insert a file's good rows together; rows that a constraint refuses are noted.

    Rows that name others of their own file, as a renewal names its ticket, go in after those.
    """
    while _insert(run, kind):
        pass
    for entry in list(run.good(kind)):
        if entry.instance is not None and entry.instance.pk is None:
            run.give_up(entry)


def _insert(run: Run, kind: str) -> bool:
    """Insert the rows whose named rows are stored; return whether there were any."""
    manager = TABLES[kind].model._default_manager
    ready = _ready(run, kind)
    try:
        with transaction.atomic():
            manager.bulk_create(ready, batch_size=500)
    except IntegrityError:
        for instance in ready:
            instance.pk = None
        if not checks.check_constraints(run, kind):
            raise
        manager.bulk_create(_ready(run, kind), batch_size=500)
    return bool(ready)


def _ready(run: Run, kind: str) -> list[Model]:
    def is_ready(entry: Entry) -> bool:
        named = [entry.values.get(c.name) for c in entry.table.columns if c.refers_to]
        return all(other is None or other.pk is not None for other in named)

    return [
        entry.instance
        for entry in run.good(kind)
        if entry.instance is not None and entry.instance.pk is None and is_ready(entry)
    ]


def _store_phases(run: Run, now: datetime | None) -> None:
    """Make the new jobs' phases, then write to them what has happened."""
    days = (cast(DayOff, entry.instance) for entry in run.good("days_off"))
    years = sorted({day.first_day.year for day in days if day.is_public_holiday})
    HolidayYear.objects.bulk_create([HolidayYear(year=y) for y in years], ignore_conflicts=True)
    firm_rates = rates()
    for job in _jobs_to_refresh(run):
        refresh_phases(job=job, firm_rates=firm_rates)
    add_rework(run)
    add_parts(run)
    attach_inspections(run)
    _store(run, "inspections")
    attach_visit_record(run)
    _store(run, "visit_record")
    apply_history(run, now=now)
    mark_part_passes(run)
    attach_pours(run, now=now)
    _store(run, "pours")
    attach_readings(run, now=now)
    _store(run, "pour_readings")
    store_reports(run, now=now)
    attach_left_out(run, now=now)
    _store(run, "left_out")


def _jobs_to_refresh(run: Run) -> list[Job]:
    """Return the jobs that are new or have a new permit, which decides on their inspections."""
    new = [cast(Job, entry.instance) for entry in run.good("jobs")]
    with_permit = [cast(Job, entry.values["job"]) for entry in run.good("permits")]
    jobs = {job.pk: job for job in (*new, *with_permit) if job.number not in run.broken["jobs"]}
    return list(jobs.values())


def _in_order(run: Run, paths: Sequence[Path]) -> list[LoadError]:
    """Return the errors file by file and line by line, of a formula only that it has no result."""
    order = {path.name: number for number, path in enumerate(paths)}

    def place(error: LoadError) -> tuple[int, str, int]:
        path = error.file.partition(", sheet ")[0]
        return order.get(path, -1), error.file, error.line or 0

    def cell(error: LoadError) -> tuple[str, int | None, str]:
        return error.file, error.line, error.column

    unknown = {cell(error) for error in run.errors if error.message == NO_RESULT}
    told = [e for e in run.errors if e.message == NO_RESULT or cell(e) not in unknown]
    return sorted(told, key=place)
