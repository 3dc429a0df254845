"""The waits of one problem as tables on its axis: cure, inspection notice, plain lags."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from contractor.engine.problem import Wait
from contractor.engine.worktime import SLOTS_PER_HOUR
from contractor.trade.cure import PROTECTED_DEGC, CureClock
from contractor.trade.units import degc_to_degf
from inspections.selectors.authority import notice_rule, weekdays
from inspections.selectors.cure_temps import air_degc, ground_degc
from jobs.services.notice_tables import notice_table

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from contractor.trade.phases import CureNeed
    from inspections.models import Authority
    from inspections.selectors.cure_temps import Climate
    from jobs.services.calendars import Calendars


@dataclass(frozen=True, slots=True)
class LinkNote:
    """
    What a link of the problem stands for, to show its wait to people.

    `spell` tells it with the figures of one wait, from the slots at which that begins and ends.
    """

    kind: str
    basis: str
    spell: Callable[[int, int], str] | None = None

    def words(self, begins: int, ends: int) -> str:
        """Return why it is waited from one slot to another."""
        return self.basis if self.spell is None else self.spell(begins, ends)


class WaitTables:
    """Wait tables, each made once and known by its index."""

    def __init__(self, *, calendars: Calendars) -> None:
        self.built: list[Wait] = []
        self.calendars = calendars
        self._axis = calendars.axis
        self._index: dict[object, int] = {}
        self._temps: dict[object, NDArray[np.float64]] = {}
        self._clocks: dict[object, CureClock] = {}

    def lag(self, hours: float) -> int | None:
        """Return the wait of so many hours by the clock; None for none."""
        if hours <= 0:
            return None
        return self._once(("lag", hours), lambda key: Wait.lag(key, self._axis, round(hours * 60)))

    def cure(self, need: CureNeed, climate: Climate, *, lag_hours: float = 0) -> int:
        """Return the wait until concrete placed at a slot has the strength that is needed."""
        return self._once(
            ("cure", need, lag_hours, _what_counts(need, climate)),
            lambda key: Wait(key, self._cure_table(need, climate, lag_hours)),
        )

    def mean_cure_degf(self, need: CureNeed, climate: Climate, begins: int, ends: int) -> float:
        """Return the mean temperature that concrete is expected to have between two slots."""
        first, last = begins // SLOTS_PER_HOUR, -(-ends // SLOTS_PER_HOUR)
        return float(
            degc_to_degf(self._cure_temps(need, climate)[first : max(last, first + 1)].mean())
        )

    def notice(self, authority: Authority) -> int:
        """Return the wait from asking an authority at a slot to its first visit after."""
        return self._once(
            ("notice", authority.pk), lambda key: Wait(key, self._notice_table(authority))
        )

    def next_visit(self, authority: Authority) -> int:
        """Return the wait from ready work to the next opening of a visit window."""
        return self._once(
            ("visit", authority.pk), lambda key: Wait(key, self._visit_table(authority))
        )

    def at(self, index: int | None, slot: int) -> int:
        """Return where a wait that begins at a slot ends."""
        return slot if index is None else int(self.built[index].table[slot])

    def _once(self, key: object, build: Callable[[str], Wait]) -> int:
        if key not in self._index:
            self._index[key] = len(self.built)
            self.built.append(build(str(key)))
        return self._index[key]

    def _cure_table(self, need: CureNeed, climate: Climate, lag_hours: float) -> NDArray[np.int32]:
        """Tabulate by the hour; a pour within an hour waits from that hour's end."""
        counts = _what_counts(need, climate)
        if counts not in self._clocks:
            self._clocks[counts] = CureClock(self._cure_temps(need, climate))
        ready = self._clocks[counts].ready_hours(
            need.strength_share, need.cement, need.minimum_hours
        )
        slots = np.minimum(np.ceil((ready + lag_hours) * SLOTS_PER_HOUR), self._axis.slots)
        at_hour = -(-np.arange(self._axis.slots + 1) // SLOTS_PER_HOUR)
        table = np.maximum(slots[at_hour], np.arange(self._axis.slots + 1))
        return np.maximum.accumulate(table).astype(np.int32)

    def _cure_temps(self, need: CureNeed, climate: Climate) -> NDArray[np.float64]:
        """Return the temperatures expected in the ground, or of a slab protected in the cold."""
        counts = _what_counts(need, climate)
        if counts not in self._temps:
            zone, first_hour = self.calendars.zone, self._axis.instant(0)
            hours = self._axis.slots // SLOTS_PER_HOUR + 2
            self._temps[counts] = (
                ground_degc(climate, zone=zone, first_hour=first_hour, hours=hours)
                if need.buried
                else np.maximum(
                    air_degc(climate, zone=zone, first_hour=first_hour, hours=hours),
                    PROTECTED_DEGC,
                )
            )
        return self._temps[counts]

    def _visit_table(self, authority: Authority) -> NDArray[np.int32]:
        starts = self.calendars.visit_starts(authority)
        slots = np.arange(self._axis.slots + 1)
        found = np.searchsorted(starts, slots, side="left")
        padded = np.append(starts, self._axis.slots)
        return np.asarray(padded[found], dtype=np.int32)

    def _notice_table(self, authority: Authority) -> NDArray[np.int32]:
        return notice_table(
            self._axis,
            self.calendars.zone,
            notice_rule(authority),
            weekdays(authority),
            self.calendars.closed_days(authority),
        )


def _what_counts(need: CureNeed, climate: Climate) -> object:
    """Return what temperatures differ by; the ground has no forecast, so it shares more tables."""
    return climate.month_means_degf if need.buried else climate
