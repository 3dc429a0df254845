"""The record of who changed what: one row per row changed, in the transaction that changes it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.db import models
from django.utils import timezone

from jobs.models import Booking, Change, Job, Phase
from jobs.models.change import MOMENT_OF_CHANGES
from jobs.selectors.booked import with_rows

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from django.contrib.auth.models import User

    from jobs.models import Plan

LONGEST_VALUE = 200
Columns = dict[str, Any]


def columns_of(row: models.Model) -> Columns:
    """Return a row's own columns as they stand, for `record_change` to compare with later."""
    return {f.attname: getattr(row, f.attname) for f in row._meta.concrete_fields}


def stored_columns(row: models.Model) -> Columns | None:
    """Return the columns of a row as the database has them; None if it has no such row yet."""
    if row.pk is None:
        return None
    stored = type(row)._default_manager.filter(pk=row.pk).first()
    return None if stored is None else columns_of(stored)


def record_change(
    *,
    row: models.Model,
    before: Columns | None,
    now: datetime,
    by: User | None = None,
    is_removed: bool = False,
) -> Change | None:
    """
    Return the stored record of what changed in a row since `before`; None if nothing did.

    Without `before` the row is new. To be called in the transaction that writes the row.
    """
    after = {} if is_removed else columns_of(row)
    what = _differences(row, before or {}, after)
    if before is not None and not is_removed and not what:
        return None
    action = Change.Action.CHANGED
    if is_removed:
        action = Change.Action.REMOVED
    elif before is None:
        action = Change.Action.ADDED
    return Change.objects.create(
        at=now,
        by=by,
        by_name=_name(by),
        action=action,
        kind=str(row._meta.verbose_name),
        row=str(row.pk),
        name=str(row)[:200],
        job=_job_of(row, is_removed=is_removed),
        what=what,
    )


def record_published(
    *, before: Plan | None, bookings: Iterable[Booking], now: datetime, by: User | None = None
) -> int:
    """
    Record each booking that publishing adds, moves or takes away; return how many.

    `before` is the plan that was in force, `bookings` those of the new one, with phase, job and
    crew loaded. Work that is done since has no booking any more, and that is no change of plan.
    """
    new = {row.phase_id: row for row in bookings}
    told = {key: (row.starts_at, row.ends_at, row.crew_id) for key, row in new.items()}
    rows = Booking.objects.filter(plan=before).exclude(phase__status=Phase.Status.DONE)
    was = {
        key: (pk, stay)
        for pk, key, *stay in rows.values_list("pk", "phase", "starts_at", "ends_at", "crew")
    }
    # Most bookings stay, and of these nothing more is read.
    stays = {key for key, (_, stay) in was.items() if told.get(key) == tuple(stay)}
    gone = rows.filter(pk__in=[pk for key, (pk, _) in was.items() if key not in stays])
    old = {row.phase_id: row for row in with_rows(gone)}
    keys = sorted((was.keys() | new.keys()) - stays)
    changed = (_moved(old.get(key), new.get(key)) for key in keys)
    records = [change for change in changed if change is not None]
    for change in records:
        change.at, change.by, change.by_name = now, by, _name(by)
    Change.objects.bulk_create(records, batch_size=500)
    return len(records)


def _moved(old: Booking | None, new: Booking | None) -> Change | None:
    """Return what publishing changes for a phase, without when and by whom; None if nothing."""
    booking = new or old
    assert booking is not None
    # Work under way has a booking for what is left of it, which begins anew with every plan.
    goes_on = booking.phase.status == Phase.Status.UNDER_WAY
    columns = {"end": _end, "crew": _crew_name} | ({} if goes_on else {"start": _start})
    what = [
        {"column": name, "old": told_of(old), "new": told_of(new)}
        for name, told_of in sorted(columns.items(), reverse=True)
        if told_of(old) != told_of(new)
    ]
    if not what:
        return None
    action = Change.Action.CHANGED
    if old is None or new is None:
        action = Change.Action.ADDED if old is None else Change.Action.REMOVED
    return Change(
        action=action,
        kind="booking",
        row=str(booking.pk),
        name=str(booking.phase)[:200],
        job=booking.phase.job,
        what=what,
    )


def _start(booking: Booking | None) -> str:
    return "" if booking is None else _moment(booking.starts_at)


def _end(booking: Booking | None) -> str:
    return "" if booking is None else _moment(booking.ends_at)


def _differences(row: models.Model, before: Columns, after: Columns) -> list[dict[str, str]]:
    """Return each column that differs, in words; a new row tells what it holds, not its blanks."""
    found = []
    for column in row._meta.concrete_fields:
        if column.primary_key:
            continue
        old, new = before.get(column.attname), after.get(column.attname)
        if old == new or (old in _NOTHING and new in _NOTHING):
            continue
        found.append(
            {
                "column": str(column.verbose_name),
                "old": _words(column, old),
                "new": _words(column, new),
            }
        )
    return found


_NOTHING: tuple[Any, ...] = (None, "", [])


def _words(column: models.Field[Any, Any], value: Any) -> str:
    """Return a column's value as people read it."""
    if value is None or value == "":
        return ""
    if column.is_relation and column.related_model:
        related: Any = column.related_model
        other = related._default_manager.filter(pk=value).first()
        return (str(value) if other is None else str(other))[:LONGEST_VALUE]
    choice = dict(column.flatchoices).get(value) if column.choices else None
    if choice is not None:
        return str(choice)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if hasattr(value, "utcoffset"):
        return _moment(value) if hasattr(value, "date") else str(value)
    return str(value)[:LONGEST_VALUE]


def _moment(value: datetime) -> str:
    return timezone.localtime(value).strftime(MOMENT_OF_CHANGES)


def _crew_name(booking: Booking | None) -> str:
    return "" if booking is None or booking.crew is None else booking.crew.name


def _job_of(row: models.Model, *, is_removed: bool) -> Job | None:
    """Return the job that a row belongs to, however it hangs on it."""
    if isinstance(row, Job):
        return None if is_removed else row
    job = getattr(row, "job", None)
    if isinstance(job, Job):
        return job
    phase = getattr(row, "phase", None)
    return phase.job if isinstance(phase, Phase) else None


def _name(by: User | None) -> str:
    return "" if by is None else (by.get_full_name() or by.get_username())[:80]
