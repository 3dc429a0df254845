"""Compare two plans given as plain rows, so that stored plans can be compared too."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

__all__ = ["Comparison", "Move", "Row", "compare"]


@dataclass(frozen=True, slots=True)
class Row:
    """A booking: `key` is the same in both plans; instants are aware, in the site's zone."""

    key: str
    job: str
    crew: str
    start: datetime
    finish: datetime

    def __post_init__(self) -> None:
        for name, instant in (("start", self.start), ("finish", self.finish)):
            if instant.utcoffset() is None:
                raise ValueError(
                    f"row {self.key!r}: {name} {instant.isoformat()} has no time "
                    "zone; give an aware datetime"
                )
        if self.finish < self.start:
            raise ValueError(
                f"row {self.key!r}: finish {self.finish.isoformat()} comes before "
                f"start {self.start.isoformat()}"
            )


@dataclass(frozen=True, slots=True)
class Move:
    """A booking that changed. `days` counts local dates, later positive; 0 is within the day."""

    key: str
    job: str
    old_crew: str
    new_crew: str
    old_start: datetime
    new_start: datetime
    old_finish: datetime
    new_finish: datetime
    days: int
    finish_days: int

    @property
    def crew_changed(self) -> bool:
        """Return whether another crew comes."""
        return self.old_crew != self.new_crew


@dataclass(frozen=True, slots=True)
class Comparison:
    """Moves by new start; rows only in the new plan, only in the old, and alike in both."""

    moved: tuple[Move, ...]
    added: tuple[Row, ...]
    removed: tuple[Row, ...]
    same: tuple[Row, ...]


def compare(before: Sequence[Row], after: Sequence[Row]) -> Comparison:
    """Return what differs between the plans `before` and `after`.

    Raises ValueError when a key stands twice in one plan.
    """
    old, new = _by_key("before", before), _by_key("after", after)
    moved, same = [], []
    for key in old.keys() & new.keys():
        if _alike(old[key], new[key]):
            same.append(new[key])
        else:
            moved.append(_move(old[key], new[key]))
    return Comparison(
        moved=tuple(sorted(moved, key=lambda move: (move.new_start, move.key))),
        added=_sorted([row for row in after if row.key not in old]),
        removed=_sorted([row for row in before if row.key not in new]),
        same=_sorted(same),
    )


def _by_key(name: str, rows: Sequence[Row]) -> dict[str, Row]:
    by_key: dict[str, Row] = {}
    for row in rows:
        if row.key in by_key:
            raise ValueError(f"{name}: key {row.key!r} stands twice; keys must differ in a plan")
        by_key[row.key] = row
    return by_key


def _alike(old: Row, new: Row) -> bool:
    return (old.crew, old.start, old.finish) == (new.crew, new.start, new.finish)


def _move(old: Row, new: Row) -> Move:
    return Move(
        key=new.key,
        job=new.job,
        old_crew=old.crew,
        new_crew=new.crew,
        old_start=old.start,
        new_start=new.start,
        old_finish=old.finish,
        new_finish=new.finish,
        days=_days_apart(old.start, new.start),
        finish_days=_days_apart(old.finish, new.finish),
    )


def _days_apart(old: datetime, new: datetime) -> int:
    """Return the difference of the dates, both read in the zone of `new`."""
    return (new.date() - old.astimezone(new.tzinfo).date()).days


def _sorted(rows: Sequence[Row]) -> tuple[Row, ...]:
    return tuple(sorted(rows, key=lambda row: (row.start, row.key)))
