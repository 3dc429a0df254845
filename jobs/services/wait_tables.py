"""The waits of one problem as tables on its axis: cure, inspection notice, plain lags."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np

from contractor.engine.problem import Wait
from contractor.engine.worktime import SLOTS_PER_DAY, SLOTS_PER_HOUR
from contractor.trade.cure import PROTECTED_DEGC, CureClock, expected_temps_degc
from contractor.trade.ground import FOOTING_DEPTH_FT, ground_temps_degc
from contractor.trade.notice import AskedWhen, NoticeRule, earliest_visit
from jobs.services.calendars import Calendars, visit_windows

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from contractor.trade.phases import CureNeed
    from crews.models import Firm
    from inspections.models import Authority


class WaitTables:
    """Wait tables, each made once and known by its index."""

    def __init__(self, *, calendars: Calendars, firm: Firm) -> None:
        self.built: list[Wait] = []
        self._calendars = calendars
        self._axis = calendars.axis
        self._firm = firm
        self._index: dict[object, int] = {}
        self._clocks: dict[bool, CureClock] = {}

    def lag(self, hours: float) -> int | None:
        """Return the wait of so many hours by the clock; None for none."""
        if hours <= 0:
            return None
        return self._once(("lag", hours), lambda key: Wait.lag(key, self._axis, round(hours * 60)))

    def cure(self, need: CureNeed, *, lag_hours: float = 0) -> int:
        """Return the wait until concrete placed at a slot has the strength that is needed."""
        return self._once(
            ("cure", need, lag_hours), lambda key: Wait(key, self._cure_table(need, lag_hours))
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

    def _cure_table(self, need: CureNeed, lag_hours: float) -> NDArray[np.int32]:
        """Tabulate by the hour; a pour within an hour waits from that hour's end."""
        ready = self._clock(buried=need.buried).ready_hours(
            need.strength_share, need.cement, need.minimum_hours
        )
        slots = np.minimum(np.ceil((ready + lag_hours) * SLOTS_PER_HOUR), self._axis.slots)
        at_hour = -(-np.arange(self._axis.slots + 1) // SLOTS_PER_HOUR)
        table = np.maximum(slots[at_hour], np.arange(self._axis.slots + 1))
        return np.maximum.accumulate(table).astype(np.int32)

    def _clock(self, *, buried: bool) -> CureClock:
        """Return the clock of the temperatures expected in the ground, or in a protected slab."""
        if buried not in self._clocks:
            means = [float(part) for part in self._firm.month_temperatures_degf.split()]
            first_hour = self._calendars.local(0).replace(tzinfo=None)
            hours = self._axis.slots // SLOTS_PER_HOUR + 2
            self._clocks[buried] = CureClock(
                ground_temps_degc(
                    monthly_mean_degf=means,
                    depth_ft=FOOTING_DEPTH_FT,
                    first_hour=first_hour,
                    hours=hours,
                )
                if buried
                else np.maximum(
                    expected_temps_degc(
                        monthly_mean_degf=means,
                        daily_swing_degf=self._firm.daily_swing_degf,
                        first_hour=first_hour,
                        hours=hours,
                    ),
                    PROTECTED_DEGC,
                )
            )
        return self._clocks[buried]

    def _visit_table(self, authority: Authority) -> NDArray[np.int32]:
        starts = self._calendars.visit_starts(authority)
        slots = np.arange(self._axis.slots + 1)
        found = np.searchsorted(starts, slots, side="left")
        padded = np.append(starts, self._axis.slots)
        return np.asarray(padded[found], dtype=np.int32)

    def _notice_table(self, authority: Authority) -> NDArray[np.int32]:
        """
        Tabulate the first visit by the moment of asking.

        The answer changes only at the cut-off, or when a window opens if they come the same day;
        so one call of the rule for each stretch between two of these fills the stretch.
        """
        rule = notice_rule(authority)
        changes = {rule.cutoff}
        if rule.notice_working_days == 0:
            changes |= {window[0] for window in rule.windows}
        table = np.full(self._axis.slots + 1, self._axis.slots, dtype=np.int64)
        day = self._calendars.local(0).date() + timedelta(days=1)
        edges = [0]
        while (slot := self._slot_of(day, time())) is not None:
            edges.extend(
                edge
                for moment in sorted(changes)
                if (edge := self._slot_of(day, moment)) is not None and edge > edges[-1]
            )
            day += timedelta(days=1)
            if slot >= self._axis.slots - SLOTS_PER_DAY:
                break
        for begins, ends in zip(edges, [*edges[1:], self._axis.slots], strict=True):
            table[begins + 1 if begins else 0 : ends + 1] = self._visit_slot(authority, rule, ends)
        table = np.maximum(table, np.arange(table.size))
        return np.maximum.accumulate(table).astype(np.int32)

    def _visit_slot(self, authority: Authority, rule: NoticeRule, asked_slot: int) -> int:
        """Return the visit for a request at the last moment of a stretch: the cautious end."""
        last = self._axis.instant(self._axis.slots)
        last_day = self._calendars.local(self._axis.slots).date()
        visit_from, _ = earliest_visit(
            asked_at=self._calendars.local(asked_slot),
            rule=rule,
            # Beyond the axis any day will do: the answer is the axis's end, however long it shuts.
            is_working_day=lambda day: (
                day > last_day or self._calendars.is_authority_day(authority, day)
            ),
        )
        return self._axis.slots if visit_from > last else self._axis.slot_at_or_after(visit_from)

    def _slot_of(self, day: object, moment: time) -> int | None:
        instant = datetime.combine(day, moment, tzinfo=self._calendars.zone)  # type: ignore[arg-type]
        if instant > self._axis.instant(self._axis.slots):
            return None
        return self._axis.slot_at_or_after(instant)


def notice_rule(authority: Authority) -> NoticeRule:
    """Return an authority's row as the rule the trade reads."""
    return NoticeRule(
        cutoff=authority.request_cutoff,
        notice_working_days=authority.notice_working_days,
        windows=visit_windows(authority),
        asked_when=AskedWhen(authority.asked_when),
    )
