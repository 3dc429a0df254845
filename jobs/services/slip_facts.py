"""What planning reads, kept as plain facts: what is new since, and the work without it."""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass, fields, replace
from datetime import date, datetime, time
from decimal import Decimal
from functools import cache
from typing import TYPE_CHECKING, Any
from uuid import UUID

from django.apps import apps
from django.db.models import Model, QuerySet

from jobs.models import Booking

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from jobs.selectors.open_work import OpenWork

# Choices of the office and words for people: a plan may read them, but nothing happened by them.
HELD = frozenset({"pinned_crew_id", "pinned_start_at", "preferred_crew_id"})
NO_FACTS = {
    "jobs.job": frozenset(
        {
            "promised_on",
            "promise_weight",
            "notes",
            "buyer_name",
            "buyer_phone",
            "buyer_email",
            "tells_buyer",
            "crew_may_call_buyer",
            "gate_code",
            "contract_value_usd",
        }
    ),
    "jobs.phase": frozenset({"labor_arithmetic"}),
    "crews.crew": frozenset(
        {"name", "lead_name", "lead_phone", "lead_id", "people_by_name", "feed_revised_at"}
    ),
    "crews.firm": frozenset(
        {
            "name",
            "phone",
            "freeze_days",
            "notice_hour",
            "quiet_from",
            "quiet_until",
            "slip_threshold_days",
            "crew_day_cost_usd",
        }
    ),
    "inspections.weatherarea": frozenset({"last_good_at", "last_tried_at", "last_error"}),
}
NOT_WALKED = frozenset({"now", "told"})
Facts = dict[str, dict[str, Any]]
_AS_IT_IS = frozenset({type(None), bool, int, float, str, list, dict})


@dataclass(frozen=True, slots=True)
class Change:
    """
    A row whose facts differ: `old` is None where it is new, `new` where it is gone.

    `place` says where the row hangs: the key of its parent, and the name it has there.
    """

    key: str
    old: dict[str, Any] | None
    new: dict[str, Any] | None
    place: tuple[str, str]

    @property
    def fields(self) -> tuple[str, ...]:
        """Return the names of the columns that differ, in order."""
        old, new = self.old or {}, self.new or {}
        return tuple(sorted(name for name in {*old, *new} if old.get(name) != new.get(name)))

    @property
    def model(self) -> str:
        """Return the row's model, like "jobs.phase"."""
        return self.key.partition(":")[0]


class Known:
    """The rows of an open work by key, with where each hangs."""

    def __init__(self, work: OpenWork) -> None:
        self.work = work
        self.rows: dict[str, Model] = {}
        self.places: dict[str, tuple[str, str]] = {}
        for field in fields(work):
            if field.name not in NOT_WALKED:
                self._walk(getattr(work, field.name), ("work", field.name))

    def facts(self, held: Facts | None = None) -> Facts:
        """Return the facts by key; columns that are choices are as in `held`, where it has them."""
        found: Facts = {}
        for key, row in self.rows.items():
            values = _values(row)
            before = (held or {}).get(key, {}).get("values", {})
            values.update({name: before[name] for name in HELD if name in before})
            found[key] = {"place": list(self.places[key]), "values": values}
        days = sorted(day.isoformat() for day in self.work.firm_days_off)
        found["work:firm_days_off"] = {"place": ["work", ""], "values": {"days": days}}
        found["work:weather"] = {"place": ["work", ""], "values": self.work.weather.told()}
        return found

    def job_of(self, key: str) -> int | None:
        """Return the primary key of the job that a row hangs on, if it hangs on one."""
        while key in self.places:
            if key.startswith("jobs.job:"):
                return int(key.partition(":")[2])
            row = self.rows[key]
            parent, _ = self.places[key]
            if parent == "work":
                phase = getattr(row, "phase_id", None)
                return self._job_of_phase(phase) if phase else getattr(row, "job_id", None)
            key = parent
        return None

    def _job_of_phase(self, phase: int) -> int | None:
        row = self.rows.get(f"jobs.phase:{phase}")
        return None if row is None else row.job_id  # type: ignore[attr-defined]

    def _walk(self, value: Any, place: tuple[str, str]) -> None:
        if isinstance(value, Booking):
            return
        if isinstance(value, Model):
            self._walk_row(value, place)
        elif isinstance(value, dict):
            for name, part in value.items():
                self._walk(part, (place[0], f"{place[1]}[{name}]"))
        elif isinstance(value, list | tuple | QuerySet):
            for part in value:
                self._walk(part, place)

    def _walk_row(self, row: Model, place: tuple[str, str]) -> None:
        key = key_of(row)
        if key in self.rows:
            return
        self.rows[key], self.places[key] = row, place
        for name, loaded in getattr(row, "_prefetched_objects_cache", {}).items():
            self._walk(loaded, (key, name))
        for name, related in row._state.fields_cache.items():
            self._walk(related, (key, name))


def key_of(row: Model) -> str:
    """Return a row's name among all rows, like "jobs.phase:17"."""
    return f"{row._meta.label_lower}:{row.pk}"


def packed(facts: Facts) -> bytes:
    """Return facts as bytes to store."""
    return zlib.compress(json.dumps(facts, separators=(",", ":"), sort_keys=True).encode())


def unpacked(stored: bytes | memoryview) -> Facts:
    """Return stored facts."""
    found: Facts = json.loads(zlib.decompress(bytes(stored)))
    return found


def changes(before: Facts, after: Facts) -> list[Change]:
    """Return what differs, by key; rows of jobs that came or went whole are left out."""
    found = []
    for key in sorted({*before, *after}):
        old, new = before.get(key), after.get(key)
        if old == new or _came_or_went_whole(key, old, new, before, after):
            continue
        place = (new or old or {})["place"]
        change = Change(key, old and old["values"], new and new["values"], (place[0], place[1]))
        if change.old is None or change.new is None or set(change.fields) - HELD:
            found.append(change)
    return found


class Replay:
    """
    The open work with changes left out and put in again, one by one, on the rows themselves.

    Choices of the office, like pins, stay as they were told. Read off a plan before the next
    change: the rows that it stands on are written on.
    """

    def __init__(self, known: Known, held: Facts) -> None:
        self.known = known
        self.work = known.work
        for key, row in known.rows.items():
            values = held.get(key, {}).get("values", {})
            _set(row, {name: values[name] for name in HELD if name in values})
        self._gone: dict[str, Model] = {}

    def leave_out(self, change: Change) -> None:
        """Make it as if the change had not come."""
        self._write(change, change.old)

    def put_in(self, change: Change) -> None:
        """Let the change come."""
        self._write(change, change.new)

    def _write(self, change: Change, values: dict[str, Any] | None) -> None:
        if change.model == "work":
            self.work = _with_values(self.work, change.key, values or {})
        elif values is None:
            self._take_away(change)
        elif change.old is not None and change.new is not None:
            _set(self.known.rows[change.key], values)
        else:
            row = self._row(change)
            _set(row, values)
            self.work = _hang(self.known, self.work, change.place, lambda rows: [*rows, row], row)

    def _take_away(self, change: Change) -> None:
        self.work = _hang(
            self.known,
            self.work,
            change.place,
            lambda rows: [row for row in rows if key_of(row) != change.key],
            None,
        )

    def _row(self, change: Change) -> Model:
        row = self.known.rows.get(change.key) or self._gone.get(change.key)
        if row is None:
            label, _, key = change.key.partition(":")
            model = apps.get_model(label)
            row = model(pk=model._meta.pk.to_python(key))
            self._gone[change.key] = row
        return row


def _came_or_went_whole(key: str, old: Any, new: Any, before: Facts, after: Facts) -> bool:
    """Return whether a row came or went with what it hangs on, or is a job itself."""
    if old is not None and new is not None:
        return False
    other = after if new is None else before
    parent = (old or new)["place"][0]
    if key.startswith(("jobs.job:", "jobs.phase:")):
        return True
    return parent != "work" and parent not in other


def _values(row: Model) -> dict[str, Any]:
    return {name: _plain(getattr(row, name)) for name in _columns(type(row))}


@cache
def _columns(model: type[Model]) -> tuple[str, ...]:
    no_facts = NO_FACTS.get(model._meta.label_lower, frozenset())
    fields = model._meta.concrete_fields
    return tuple(f.attname for f in fields if f.attname not in no_facts and not f.primary_key)


def _plain(value: Any) -> Any:
    if type(value) in _AS_IT_IS:
        return value
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, Decimal | UUID):
        return str(value)
    if isinstance(value, bool | int | float | str | list | dict):
        return value
    return str(value)


def _set(row: Model, values: dict[str, Any]) -> None:
    for field in row._meta.concrete_fields:
        if field.attname in values:
            setattr(row, field.attname, _read(field, values[field.attname]))


def _read(field: Any, value: Any) -> Any:
    target = field.target_field if field.is_relation else field
    return value if isinstance(value, list | dict) else target.to_python(value)


def _with_values(work: OpenWork, key: str, values: dict[str, Any]) -> OpenWork:
    if key == "work:weather":
        return replace(work, weather=work.weather.as_told(values))
    days = frozenset(date.fromisoformat(day) for day in values.get("days", ()))
    return replace(work, firm_days_off=days)


def _hang(
    known: Known, work: OpenWork, place: tuple[str, str], edit: Any, row: Model | None
) -> OpenWork:
    parent, name = place
    if parent == "work":
        return _hang_on_work(work, name, edit, row)
    holder = known.rows.get(parent)
    cache = getattr(holder, "_prefetched_objects_cache", {})
    if holder is not None and name in cache:
        cache[name] = _loaded(cache[name], edit(list(cache[name])))
    elif holder is not None:
        holder._state.fields_cache[name] = row
    return work


def _hang_on_work(work: OpenWork, name: str, edit: Any, row: Model | None) -> OpenWork:
    field, _, inner = name.partition("[")
    value = getattr(work, field)
    if not inner:
        return _with(work, field, tuple(edit(list(value))))
    by_key = dict(value)
    key = next((k for k in by_key if f"{k}]" == inner), None)
    if row is not None:
        by_key[int(inner[:-1]) if inner[:-1].isdigit() else inner[:-1]] = row
    elif key is not None:
        del by_key[key]
    return _with(work, field, by_key)


def _with(work: OpenWork, field: str, value: Any) -> OpenWork:
    edited: dict[str, Any] = {field: value}
    return replace(work, **edited)


def _loaded(like: QuerySet[Any], rows: list[Model]) -> Any:
    """Return a query set that has these rows and asks nothing."""
    found: Any = like.model._default_manager.all()
    found._result_cache = rows
    found._prefetch_done = True
    return found


def moments(values: dict[str, Any] | None, names: Iterable[str]) -> Iterator[datetime]:
    """Yield the moments among some columns of a row."""
    for name in names:
        value = (values or {}).get(name)
        if isinstance(value, str) and name.endswith("_at"):
            yield datetime.fromisoformat(value)
