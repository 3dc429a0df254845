"""The policy of forecasts carried out in SimPy: the plain way to draw a plan, kept quick.

Each crew keeps a sorted list of its ready work; only crews for which there is something new are
looked at; working time is read from the calendars' tables. So what is measured is the cost of
events in Python, not of a slow search.
"""

from bisect import insort
from collections.abc import Generator
from heapq import heappop, heappush
from math import ceil

import numpy as np
import simpy

from contractor.engine.problem import Mode, Problem
from contractor.engine.schedule import Schedule
from contractor.engine.simulate.chances import Chances
from contractor.engine.simulate.course import DAYS_PER_TEMPERATURE
from contractor.engine.simulate.draw import Drawn
from contractor.engine.worktime import SLOTS_PER_DAY

NOWHERE = (-1, -1)
Process = Generator[simpy.Event, None, None]


class Execution:
    """One draw of a plan whose local days are its axis's."""

    def __init__(
        self,
        problem: Problem,
        schedule: Schedule,
        chances: Chances,
        drawn: Drawn,
        order: list[int],
    ) -> None:
        self.problem, self.chances, self.drawn = problem, chances, drawn
        self.slots = problem.axis.slots
        self.place = {i: place for place, i in enumerate(order)}
        self.at = order
        size = len(order)
        for name in ("released", "repeats", "reworks", "work"):
            values = dict(zip(order, getattr(drawn, name).tolist(), strict=True))
            setattr(self, name, [values[i] for i in range(size)])
        self.modes = [
            activity.modes[placed.mode] if placed else None
            for activity, placed in zip(problem.activities, schedule.placed, strict=True)
        ]
        self.followers: list[list[int]] = [[] for _ in range(size)]
        self.left = [0] * size
        for k, link in enumerate(problem.links):
            if not problem.activities[link.after].under_way:
                self.followers[link.before].append(k)
                self.left[link.after] += 1
        self.ready_at = [0] * size
        self.rows = [chances.by_activity.get(i) for i in range(size)]
        self.short = drawn.short
        self.lost = drawn.lost
        self.days = len(chances.weather.day_first) - 1 if chances.weather else 0
        self.gates = len(chances.weather.gates) if chances.weather else 0
        self.calendars = [
            (np.asarray(c.before).tolist(), np.asarray(c.slot_of).tolist())
            for c in problem.calendars
        ]
        self.waits = [np.asarray(wait.table).tolist() for wait in problem.waits]
        self.variants = {
            w: [np.asarray(table).tolist() for table in tables]
            for w, tables in chances.wait_variants.items()
        }
        self.free = [row.capacity for row in problem.resources]
        self.waiting: list[list[int]] = [[] for _ in problem.resources]
        self.asks: set[int] = set()
        self.is_called = False
        self.dates = [NOWHERE] * size
        self.clock = simpy.Environment(initial_time=0)

    def run(self) -> list[tuple[int, int]]:
        """Return start and finish of each activity; NOWHERE where it has none."""
        for i, mode in enumerate(self.modes):
            if mode is not None and self.left[i] == 0:
                self.clock.process(self._gets_ready(i, max(self.released[i], self.problem.now)))
        self.clock.run(until=self.slots)
        return self.dates

    def _gets_ready(self, i: int, slot: int) -> Process:
        if slot >= self.slots:
            return
        yield self.clock.timeout(max(0, slot - self.clock.now))
        mode = self.modes[i]
        if mode.crew is None:
            self._begin(i, int(self.clock.now))
        else:
            insort(self.waiting[mode.crew], self.place[i])
            self._ask(mode.crew)

    def _ask(self, crew: int) -> None:
        self.asks.add(crew)
        if not self.is_called:
            self.is_called = True
            self.clock.process(self._hand_out())

    def _hand_out(self) -> Process:
        # Once everything of the slot has happened.
        now = self.clock.now
        yield self.clock.timeout(max(int(now) + 0.5 - now, 1 / 64))
        self.is_called = False
        slot = int(self.clock.now)
        choices: list[int] = []
        for crew in self.asks:
            self._choose(crew, slot, choices)
        self.asks = set()
        while choices:
            place = heappop(choices)
            i = self.at[place]
            mode = self.modes[i]
            if self._machines_free(mode):
                self.waiting[mode.crew].remove(place)
                self._begin(i, slot)
            self._choose(mode.crew, slot, choices)

    def _choose(self, crew: int, now: int, choices: list[int]) -> None:
        if not self.free[crew]:
            return
        for place in self.waiting[crew]:
            i = self.at[place]
            mode = self.modes[i]
            if not self._machines_free(mode):
                continue
            opens = self._next_working(mode.calendar, now)
            if opens > now:
                self._look_again(crew, opens)
                return
            if not self._is_lost(i, now // SLOTS_PER_DAY):
                heappush(choices, place)
                return
            self._look_again(crew, (now // SLOTS_PER_DAY + 1) * SLOTS_PER_DAY)

    def _look_again(self, crew: int, slot: int) -> None:
        def look() -> Process:
            yield self.clock.timeout(slot - self.clock.now)
            self._ask(crew)

        if slot < self.slots:
            self.clock.process(look())

    def _machines_free(self, mode: Mode) -> bool:
        return all(self.free[m] >= mode.machines.count(m) for m in mode.machines)

    def _begin(self, i: int, now: int) -> None:
        start, finish = self._worked(i, now)
        if finish < 0:
            return
        activity, mode = self.problem.activities[i], self.modes[i]
        windows = activity.windows
        if windows and not any(w.opens <= start and finish <= w.closes for w in windows):
            later = [w.opens for w in windows if w.opens > start]
            if later:
                self.clock.process(self._gets_ready(i, min(later)))
            return
        for r in () if mode.crew is None else (mode.crew, *sorted(set(mode.machines))):
            for begins, ends in self.problem.resources[r].blocked:
                if start < ends and finish > begins:
                    self.clock.process(self._gets_ready(i, ends))
                    return
        if mode.crew is not None:
            units = [mode.crew, *mode.machines]
            for r in units:
                self.free[r] -= 1
            self.clock.process(self._gives_back(mode.crew, units, finish))
        first = start
        for k in range(self.repeats[i]):
            row = self.rows[i]
            asked = finish + row.rework_slots * (self.reworks[i] >> k & 1)
            again = self.waits[row.again_wait][asked] if asked <= self.slots else self.slots
            _, finish = self._worked(i, again) if again < self.slots else NOWHERE
            if finish < 0:
                return
        self.dates[i] = (first, finish)
        for k in self.followers[i]:
            self._frees(k, first, finish)

    def _frees(self, k: int, start: int, finish: int) -> None:
        link = self.problem.links[k]
        slot = start if link.start_to_start else finish
        if link.wait is not None:
            tables = self.variants.get(link.wait)
            month = slot // (DAYS_PER_TEMPERATURE * SLOTS_PER_DAY)
            table = tables[self.drawn.warmth[month]] if tables else self.waits[link.wait]
            slot = table[slot]
        i = link.after
        self.ready_at[i] = max(self.ready_at[i], slot)
        self.left[i] -= 1
        if self.left[i] == 0 and self.modes[i] is not None:
            self.clock.process(self._gets_ready(i, max(self.ready_at[i], self.released[i])))

    def _gives_back(self, crew: int, units: list[int], slot: int) -> Process:
        yield self.clock.timeout(slot - self.clock.now)
        for r in units:
            self.free[r] += 1
        for r in range(len(self.free)) if len(units) > 1 else (crew,):
            self._ask(r)

    def _worked(self, i: int, earliest: int) -> tuple[int, int]:
        """Return the first slot worked from `earliest` on and the exclusive end."""
        mode = self.modes[i]
        before, slot_of = self.calendars[mode.calendar]
        slot = self._next_working(mode.calendar, earliest)
        while slot < self.slots and self._is_lost(i, slot // SLOTS_PER_DAY):
            following = (slot // SLOTS_PER_DAY + 1) * SLOTS_PER_DAY
            slot = self._next_working(mode.calendar, min(following, self.slots))
        if slot >= self.slots:
            return NOWHERE
        start, left = slot, self.work[i]
        if left == 0:
            return start, start
        while slot < self.slots:
            day = slot // SLOTS_PER_DAY
            following = min((day + 1) * SLOTS_PER_DAY, self.slots)
            if not self._is_lost(i, day):
                share = self._share(mode.crew, day)
                here = int((before[following] - before[slot]) * share)
                if left <= here:
                    return start, slot_of[before[slot] + ceil(left / share) - 1] + 1
                left -= here
            slot = following
        return NOWHERE

    def _share(self, crew: int | None, day: int) -> float:
        if crew is None or not self.short[crew * self.days + day]:
            return 1.0
        return self.chances.by_resource[crew].short_share

    def _is_lost(self, i: int, day: int) -> bool:
        row = self.rows[i]
        if row is None or row.gate is None or day >= self.days:
            return False
        return bool(self.lost[(row.area * self.gates + row.gate) * self.days + day])

    def _next_working(self, calendar: int, slot: int) -> int:
        before, slot_of = self.calendars[calendar]
        index = before[slot]
        return slot_of[index] if index < len(slot_of) else self.slots
