"""Rows of concrete: pours of a phase, and the temperatures read in them."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, cast

from django.core.exceptions import ValidationError
from django.db import models

from inspections.models import Pour, PourReading
from jobs.models import Job, Phase
from jobs.services.loading_rows import Entry, Run
from jobs.services.loading_tables import Column

__all__ = ["attach_pours", "attach_readings", "behind", "rows_of_pours"]

_Place = tuple[int, str, datetime, str]


def attach_pours(run: Run, *, now: datetime | None) -> None:
    """Give each pour its phase; one that the database has already is an error."""
    jobs = _jobs_named(run, "pours")
    phases = {
        (phase.job_id, phase.code): phase
        for phase in Phase.objects.filter(job__in=jobs).exclude(status=Phase.Status.DROPPED)
    }
    existing = _stored(jobs)
    for entry in list(run.good("pours")):
        job, code = cast(Job, entry.values["job"]), entry.values["phase"]
        if job.pk is None or job.number in run.broken["jobs"]:
            run.give_up(entry)
            continue
        phase = phases.get((job.pk, code))
        pour = cast(Pour, entry.instance)
        if phase is None:
            has = ", ".join(found for pk, found in phases if pk == job.pk) or "none"
            run.fail(entry, "phase", f"Job {job.number} has no such phase. Its phases are {has}.")
        elif now is not None and pour.poured_at > now:
            run.fail(entry, "poured_at", "That is still to come. Write a time that has passed.")
        elif _place_of(entry) in existing:
            run.fail(entry, "poured_at", "Already in the database. Take the row out.")
        else:
            pour.phase = phase
            _check(run, entry, pour)


def attach_readings(run: Run, *, now: datetime | None) -> None:
    """Give each reading its pour, loaded or stored before; a pour that is not there is an error."""
    stored = _stored(_jobs_named(run, "pour_readings"))
    existing = set(
        PourReading.objects.filter(pour__in=stored.values()).values_list("pour", "taken_at", "of")
    )
    for entry in list(run.good("pour_readings")):
        job = cast(Job, entry.values["job"])
        if job.pk is None or job.number in run.broken["jobs"]:
            run.give_up(entry)
            continue
        pour = stored.get(_place_of(entry))
        reading = cast(PourReading, entry.instance)
        if pour is None:
            run.fail(
                entry,
                "poured_at",
                "No such pour of the phase. Write one of pours.csv, with its part.",
            )
        elif now is not None and reading.taken_at > now:
            run.fail(entry, "taken_at", "That is still to come. Write a time that has passed.")
        elif (pour.pk, reading.taken_at, reading.of) in existing:
            run.fail(entry, "taken_at", "Already in the database. Take the row out.")
        else:
            reading.pour = pour
            _check(run, entry, reading)


def rows_of_pours(rows: models.QuerySet[Any]) -> models.QuerySet[Any]:
    """Return pours or readings with the phase and job that their cells name."""
    phase = "phase" if rows.model is Pour else "pour__phase"
    return rows.exclude(**{f"{phase}__status": Phase.Status.DROPPED}).select_related(
        f"{phase}__job"
    )


def behind(row: Any, column: Column) -> Any:
    """Return the row that has a column's value: a pour's phase, or a reading's pour."""
    if isinstance(row, PourReading) and column.field.model is not PourReading:
        row = row.pour
    if isinstance(row, Pour) and column.field.model is not Pour:
        row = row.phase
    return row


def _jobs_named(run: Run, kind: str) -> set[int]:
    return {cast(Job, entry.values["job"]).pk for entry in run.good(kind)} - {None}


def _stored(jobs: set[int]) -> Mapping[_Place, Pour]:
    """Return the stored pours of jobs by what a row names them by, in one query."""
    pours = Pour.objects.filter(phase__job__in=jobs).select_related("phase")
    return {(pour.phase.job_id, pour.phase.code, pour.poured_at, pour.part): pour for pour in pours}


def _place_of(entry: Entry) -> _Place:
    values = entry.values
    return values["job"].pk, values["phase"], values["poured_at"], values.get("part", "")


def _check(run: Run, entry: Entry, instance: Pour | PourReading) -> None:
    """Note what the row refuses now that it knows what it belongs to."""
    try:
        instance.clean()
    except ValidationError as error:
        for name, messages in error.message_dict.items():
            run.fail(entry, name, " ".join(messages))
