"""What changed between two comparisons as events: what, when, whose, and of which cause."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from django.apps import apps

from contractor.trade.causes import Cause
from crews.models import RAINED_OFF
from jobs.models import Phase
from jobs.services.slip_facts import moments

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    from jobs.services.slip_facts import Change, Known

# So many events are put in one by one; what is more goes by job, as each takes a plan.
ONE_BY_ONE = 24
CAUSE_OF_MODEL = {
    "jobs.delivery": Cause.MATERIAL,
    "jobs.deliveryreport": Cause.MATERIAL,
    "jobs.leadtime": Cause.MATERIAL,
    "crews.crew": Cause.CREW,
    "crews.workhours": Cause.CREW,
    "crews.equipment": Cause.EQUIPMENT,
    "jobs.lentpeople": Cause.CREW,
    "jobs.setaside": Cause.CREW,
    "work": Cause.CREW,
    "jobs.job": Cause.BUYERS_CHANGE,
    "jobs.opening": Cause.BUYERS_CHANGE,
    "jobs.leanto": Cause.BUYERS_CHANGE,
    "jobs.phase": Cause.ESTIMATE,
}
MOST_FIELDS = 3
LABOR_FIELDS = frozenset({"labor_hours", "office_hours"})


@dataclass(frozen=True, slots=True)
class Told:
    """What people said of a phase since the last comparison: the last report and its cause."""

    report_id: str
    made_at: datetime
    cause: str
    words: str


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened, as the changes of rows that it made."""

    key: str
    what: str
    happened_at: datetime
    cause: Cause | None
    job_id: int | None
    changes: tuple[Change, ...]


def events_of(
    changes: Iterable[Change], known: Known, *, told: Mapping[int, Told], now: datetime
) -> list[Event]:
    """Return changes as events in the order in which they happened; ties by name."""
    found = [_event(change, known, told, now) for change in changes]
    found.sort(key=lambda event: (event.happened_at, event.key))
    return found if len(found) <= ONE_BY_ONE else _by_job(found)


def _event(change: Change, known: Known, told: Mapping[int, Told], now: datetime) -> Event:
    is_progress = change.model == "jobs.phase" and bool(set(change.fields) - LABOR_FIELDS)
    said = told.get(_phase_of(change)) if is_progress else None
    when = said.made_at if said else _happened_at(change, now)
    digest = sha256(repr(sorted((change.new or {}).items())).encode()).hexdigest()[:12]
    return Event(
        key=f"report:{said.report_id}" if said else f"{change.key}:{digest}",
        what=(said.words if said else _words(change, known))[:200],
        happened_at=min(when, now),
        cause=Cause(said.cause) if said and said.cause else _cause(change, known),
        job_id=known.job_of(change.key) if change.key in known.rows else _old_job(change, known),
        changes=(change,),
    )


def _by_job(events: list[Event]) -> list[Event]:
    """Return one event for all of a job's, and one for each of the firm's own."""
    groups: dict[object, list[Event]] = {}
    for event in events:
        groups.setdefault(event.job_id or event.key, []).append(event)
    merged = [rows[0] if len(rows) == 1 else _merged(rows) for rows in groups.values()]
    merged.sort(key=lambda event: (event.happened_at, event.key))
    if len(merged) <= ONE_BY_ONE:
        return merged
    # Each plan costs a moment: the earliest are told one by one, the rest as what they are, many.
    return [*merged[: ONE_BY_ONE - 1], _merged(merged[ONE_BY_ONE - 1 :])]


def _merged(rows: list[Event]) -> Event:
    last = rows[-1]
    causes = {row.cause for row in rows}
    jobs = {row.job_id for row in rows}
    return Event(
        key=last.key,
        what=last.what if len(jobs) == 1 else f"{len(rows)} changes at once",
        happened_at=last.happened_at,
        cause=next(iter(causes)) if len(causes) == 1 else None,
        job_id=next(iter(jobs)) if len(jobs) == 1 else None,
        changes=tuple(change for row in rows for change in row.changes),
    )


def _phase_of(change: Change) -> int:
    return int(change.key.partition(":")[2])


def _happened_at(change: Change, now: datetime) -> datetime:
    """Return the latest moment that the change itself tells, else now."""
    past = [moment for moment in moments(change.new, change.fields) if moment <= now]
    return max(past, default=now)


def _cause(change: Change, known: Known) -> Cause | None:
    if change.key == "work:weather":
        return Cause.WEATHER
    if change.model == "crews.dayoff":
        values = change.new or change.old or {}
        if values.get("reason") == RAINED_OFF:
            return Cause.WEATHER
        return Cause.EQUIPMENT if values.get("equipment_id") else Cause.CREW
    if change.model == "jobs.phase" and not LABOR_FIELDS & set(change.fields):
        return _cause_of_progress(change)
    if change.model in CAUSE_OF_MODEL:
        return CAUSE_OF_MODEL[change.model]
    if "weather" in change.model or "stopped" in change.model or "rain" in change.model:
        return Cause.WEATHER
    if "locate" in change.model or "site" in change.model:
        return Cause.SITE_NOT_READY
    if change.model.startswith("inspections."):
        return Cause.INSPECTION
    return None


def _cause_of_progress(change: Change) -> Cause | None:
    """Return ESTIMATE where work goes on or ended later than hours said; a failed visit apart."""
    stopped_by = (change.new or {}).get("stopped_by")
    if stopped_by and "stopped_by" in change.fields:
        return Cause(stopped_by)
    code = (change.new or {}).get("code", "")
    return Cause.INSPECTION if str(code).startswith("INSPECT") else Cause.ESTIMATE


def _words(change: Change, known: Known) -> str:
    if change.model == "work":
        return "Weather" if change.key == "work:weather" else "The firm's days off"
    row: Any = known.rows.get(change.key)
    if isinstance(row, Phase):
        return f"{row.get_code_display()} of {row.job.number} {_progress_words(row, change)}"
    model = apps.get_model(change.model)
    name = str(row) if row is not None else str(model._meta.verbose_name).capitalize()
    if change.new is None:
        return f"{name}: taken away"
    if change.old is None:
        return f"{name}: new"
    told = {field: change.new[field] for field in change.fields}
    said = {field: value for field, value in told.items() if value not in (None, "")} or told
    parts = [
        f"{_field(model, field).verbose_name} {'–' if value in (None, '') else value}"
        for field, value in said.items()
    ]
    return f"{name}: {', '.join(parts[:MOST_FIELDS])}"


def _progress_words(row: Phase, change: Change) -> str:
    if LABOR_FIELDS & set(change.fields):
        return f"takes {row.planned_hours:g} hours"
    if row.status == Phase.Status.UNDER_WAY:
        return f"is {row.share_done:.0%} done"
    return "is " + row.get_status_display().lower()


def _field(model: Any, attname: str) -> Any:
    return next(field for field in model._meta.concrete_fields if field.attname == attname)


def _old_job(change: Change, known: Known) -> int | None:
    parent = change.place[0]
    if parent == "work":
        values = change.old or {}
        phase = known.rows.get(f"jobs.phase:{values.get('phase_id')}")
        return getattr(phase, "job_id", values.get("job_id"))
    return known.job_of(parent)
