"""
Percent plan complete: how many promises of a week were kept, and why the others were not.

PPC = promises kept in full on their day ÷ promises made, no part of one counted. It is no score:
a miss is worth its reason, and a crew that keeps nearly all of them promises too little. Source:
Ballard, The Last Planner System of Production Control, 2000; the first studies found 54 %
(Howell and Ballard, as told by trade publications).
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

NOT_TOLD = ""
"""The reason of a miss for which nobody has given one."""


@dataclass(frozen=True, slots=True)
class Promise:
    """
    A phase that was to be done on a day, as it stood when the week began.

    `cause` is why it was missed, `NOT_TOLD` if nobody said.
    """

    monday: date
    crew: str
    due_on: date
    done_on: date | None
    cause: str = NOT_TOLD

    def is_decided(self, today: date) -> bool:
        """Return whether it is kept or missed by now; one that is due today may still be kept."""
        return self.is_kept or self.due_on < today

    @property
    def is_kept(self) -> bool:
        """Return whether the whole phase was done on its day or before."""
        return self.done_on is not None and self.done_on <= self.due_on


@dataclass(frozen=True, slots=True)
class Tally:
    """Promises made and kept, and the causes of the misses, most frequent first."""

    made: int
    kept: int
    causes: tuple[tuple[str, int], ...]

    @property
    def percent(self) -> float | None:
        """Return percent plan complete, or None where nothing was promised."""
        return None if self.made == 0 else 100 * self.kept / self.made


@dataclass(frozen=True, slots=True)
class Week:
    """One week by its Monday: of the whole firm, and by crew."""

    monday: date
    firm: Tally
    crews: Mapping[str, Tally]


def monday_of(day: date) -> date:
    """Return the Monday of a day's week (ISO 8601)."""
    return day - timedelta(days=day.weekday())


def tally(promises: Iterable[Promise]) -> Tally:
    """Return how many of the promises were kept, and why the others were not."""
    rows = list(promises)
    missed = Counter(row.cause for row in rows if not row.is_kept)
    causes = sorted(missed.items(), key=lambda item: (-item[1], item[0]))
    return Tally(len(rows), len(rows) - missed.total(), tuple(causes))


def weeks(promises: Iterable[Promise], *, today: date) -> list[Week]:
    """Return every week with promises that are decided by now, oldest first."""
    decided = [row for row in promises if row.is_decided(today)]
    found = []
    for monday in sorted({row.monday for row in decided}):
        of_week = [row for row in decided if row.monday == monday]
        crews = {
            crew: tally(row for row in of_week if row.crew == crew)
            for crew in sorted({row.crew for row in of_week})
        }
        found.append(Week(monday, tally(of_week), crews))
    return found
