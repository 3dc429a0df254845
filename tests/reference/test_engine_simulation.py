"""Runs of a plan carried out in SimPy as well, with the same luck: every date is the same.

The policy is the one that docs/forecasts.md tells: a free crew takes, of its own work that is
ready, what was planned first. Here an office hands work out once everything of a moment has
happened; working time is counted slot by slot on the rows of the calendars.
"""

from collections.abc import Generator
from datetime import UTC, datetime
from random import Random

import numpy as np
import pytest
import simpy

from contractor.engine.planner import plan
from contractor.engine.problem import Activity, Job, Mode, Problem
from contractor.engine.schedule import Schedule
from contractor.engine.simulate.chances import (
    ActivityChances,
    Chances,
    CrewChances,
    Gate,
    WeatherChances,
)
from contractor.engine.simulate.course import DAYS_PER_TEMPERATURE, course_of
from contractor.engine.simulate.dispatch import new_run, run_through
from contractor.engine.simulate.draw import Drawn, draw, new_drawn
from contractor.engine.simulate.working import finish_of, opens_at
from contractor.engine.stops import IterationStop
from contractor.engine.worktime import Axis, WorkCalendar
from tests.reference.engine_problems import DAY, SLOTS, random_problem

EARLY_DAYS = 4
NOWHERE = (-1, -1)
Process = Generator[simpy.Event, None, None]


def random_chances(problem: Problem, random: Random) -> Chances:
    """Return chances of every kind for a random problem."""
    days = SLOTS // DAY
    gates = tuple(
        Gate(
            np.full(days, random.choice((0.1, 0.3))),
            np.full(days, random.choice((0.0, 0.1))),
            random.choice((0, 2)),
        )
        for _ in range(2)
    )
    by_activity = {
        i: ActivityChances(
            log_mean=random.choice((0.0, 0.05)),
            log_sd=random.choice((0.0, 0.3)),
            late_chance=random.choice((0.0, 0.5)),
            late_days=2.0,
            fail_chance=random.choice((0.0, 0.3)) if activity.modes[0].crew is None else 0.0,
            absent_chance=random.choice((0.0, 0.2)) if activity.modes[0].crew is None else 0.0,
            rework_slots=random.choice((0, 30)),
            again_wait=0,
            gate=random.choice((None, 0, 1)),
            area=random.choice((0, 1)),
        )
        for i, activity in enumerate(problem.activities)
        if activity.modes
    }
    warmer = [np.maximum(np.arange(SLOTS + 1), np.asarray(w.table) - 8) for w in problem.waits[:1]]
    variants = {0: [np.asarray(problem.waits[0].table), warmer[0].astype(np.int32)]}
    return Chances(
        by_activity=by_activity,
        by_resource={0: CrewChances(0.3, 0.5), 1: CrewChances(0.1, 0.75)},
        weather=WeatherChances(
            np.arange(0, SLOTS + 2 * DAY, DAY, dtype=np.int32)[: days + 1], gates, 2
        ),
        wait_variants=variants,
    )


class Execution:
    """One run, crews handed their work by an office."""

    def __init__(
        self,
        problem: Problem,
        schedule: Schedule,
        chances: Chances,
        drawn: Drawn,
        order: list[int],
    ) -> None:
        self.problem, self.chances = problem, chances
        # By activity of the problem; `order` says of which one each entry of a run is.
        self.released, self.repeats, self.reworks, self.amount = (
            dict(zip(order, row.tolist(), strict=True))
            for row in (drawn.released, drawn.repeats, drawn.reworks, drawn.work)
        )
        self.drawn = drawn
        self.modes = [
            activity.modes[p.mode] if p else None
            for activity, p in zip(problem.activities, schedule.placed, strict=True)
        ]
        starts = [p.start if p else 0 for p in schedule.placed]
        self.order = sorted(range(len(starts)), key=lambda i: (starts[i], i))
        self.links = [k for k in problem.links if not problem.activities[k.after].under_way]
        self.clock = simpy.Environment(initial_time=0)
        self.begun = [self.clock.event() for _ in starts]
        self.done = [self.clock.event() for _ in starts]
        self.dates = [NOWHERE] * len(starts)
        self.free = [row.capacity for row in problem.resources]
        self.ready: set[int] = set()
        self.is_called = False

    def run(self) -> list[tuple[int, int]]:
        for i, mode in enumerate(self.modes):
            if mode is not None:
                self.clock.process(self._gets_ready(i))
        self.clock.run(until=SLOTS)
        return self.dates

    def _gets_ready(self, i: int) -> Process:
        earliest = self.released[i]
        for link in self.links:
            if link.after != i:
                continue
            slot = yield (self.begun if link.start_to_start else self.done)[link.before]
            if link.wait is not None:
                slot = int(self._table(link.wait, slot)[slot])
            earliest = max(earliest, slot)
        if earliest >= SLOTS:
            return
        yield self.clock.timeout(max(0, max(earliest, self.problem.now) - self.clock.now))
        self._is_ready(i)

    def _is_ready(self, i: int) -> None:
        self.ready.add(i)
        self._call()

    def _call(self) -> None:
        """Have work handed out once all of this moment has happened."""
        if not self.is_called:
            self.is_called = True
            self.clock.process(self._hand_out())

    def _hand_out(self) -> Process:
        # Behind whatever is due as the slot begins, and again behind what that frees in the slot.
        now = self.clock.now
        yield self.clock.timeout(max(int(now) + 0.5 - now, 1 / 64))
        self.is_called = False
        now = int(self.clock.now)
        while (i := self._next(now)) is not None:
            self.ready.discard(i)
            self._begin(i, now)

    def _next(self, now: int) -> int | None:
        waiting: set[int] = set()
        for i in self.order:
            mode = self.modes[i]
            if i not in self.ready or mode is None:
                continue
            if mode.crew is None:
                return i
            if mode.crew in waiting or not self.free[mode.crew]:
                continue
            if any(self.free[m] < mode.machines.count(m) for m in mode.machines):
                continue
            opens = self._next_working(mode.calendar, now)
            if opens > now:
                waiting.add(mode.crew)
                self._call_at(opens)
            elif self._is_lost(i, now):
                self._call_at((now // DAY + 1) * DAY)
            else:
                return i
        return None

    def _call_at(self, slot: int) -> None:
        def call() -> Process:
            yield self.clock.timeout(slot - self.clock.now)
            self._call()

        if slot < SLOTS:
            self.clock.process(call())

    def _begin(self, i: int, now: int) -> None:
        start, finish = self._work(i, now)
        if finish < 0:
            return
        activity, mode = self.problem.activities[i], self.modes[i]
        assert mode is not None
        windows = activity.windows
        if windows and not any(w.opens <= start and finish <= w.closes for w in windows):
            later = [w.opens for w in windows if w.opens > start]
            if later:
                self._again(i, min(later))
            return
        for r in () if mode.crew is None else (mode.crew, *sorted(set(mode.machines))):
            for begins, ends in self.problem.resources[r].blocked:
                if start < ends and finish > begins:
                    self._again(i, ends)
                    return
        if mode.crew is not None:
            units = [mode.crew, *mode.machines]
            for r in units:
                self.free[r] -= 1
            self.clock.process(self._gives_back(units, finish))
        first = start
        for k in range(self.repeats[i]):
            asked = finish + self.chances.by_activity[i].rework_slots * (self.reworks[i] >> k & 1)
            again = int(self.problem.waits[0].table[asked]) if asked <= SLOTS else SLOTS
            _, finish = self._work(i, again) if again < SLOTS else NOWHERE
            if finish < 0:
                # It was begun, and what follows its beginning does not wait for its end.
                return
        self.dates[i] = (first, finish)
        self.begun[i].succeed(first)
        self.done[i].succeed(finish)

    def _again(self, i: int, slot: int) -> None:
        def wait() -> Process:
            yield self.clock.timeout(slot - self.clock.now)
            self._is_ready(i)

        if slot < SLOTS:
            self.clock.process(wait())

    def _gives_back(self, units: list[int], slot: int) -> Process:
        yield self.clock.timeout(slot - self.clock.now)
        for r in units:
            self.free[r] += 1
        self._call()

    def _work(self, i: int, earliest: int) -> tuple[int, int]:
        """Return the first slot worked from `earliest` on and the exclusive end."""
        mode = self.modes[i]
        assert mode is not None
        slot = self._next_working(mode.calendar, earliest)
        while slot < SLOTS and self._is_lost(i, slot):
            slot = self._next_working(mode.calendar, (slot // DAY + 1) * DAY)
        if slot >= SLOTS:
            return NOWHERE
        start, left = slot, self.amount[i]
        working = self.problem.calendars[mode.calendar].working
        while left > 0:
            day = [s for s in range(slot, (slot // DAY + 1) * DAY) if s < SLOTS and working[s]]
            if day and not self._is_lost(i, slot):
                share = self._share(mode.crew, slot // DAY)
                if left <= int(len(day) * share):
                    return start, day[int(np.ceil(left / share)) - 1] + 1
                left -= int(len(day) * share)
            slot = (slot // DAY + 1) * DAY
            if slot >= SLOTS:
                return NOWHERE
        return start, start

    def _share(self, crew: int | None, day: int) -> float:
        days = SLOTS // DAY
        if crew is None or not self.drawn.short[crew * days + day]:
            return 1.0
        return self.chances.by_resource[crew].short_share

    def _is_lost(self, i: int, slot: int) -> bool:
        row = self.chances.by_activity.get(i)
        weather = self.chances.weather
        if row is None or row.gate is None or weather is None or slot >= SLOTS:
            return False
        days = SLOTS // DAY
        place = (row.area * len(weather.gates) + row.gate) * days + slot // DAY
        return bool(self.drawn.lost[place])

    def _table(self, wait: int, slot: int) -> np.ndarray:
        variants = self.chances.wait_variants.get(wait)
        if variants is None:
            return np.asarray(self.problem.waits[wait].table)
        return variants[self.drawn.warmth[slot // (DAYS_PER_TEMPERATURE * DAY)]]

    def _next_working(self, calendar: int, slot: int) -> int:
        working = self.problem.calendars[calendar].working
        while slot < SLOTS and not working[slot]:
            slot += 1
        return slot


@pytest.mark.parametrize("seed", range(2000, 2150))
def test_crews_in_simpy_have_the_same_dates_with_the_same_luck(seed):
    problem = random_problem(seed)
    chances = random_chances(problem, Random(seed))
    schedule = plan(problem, stop=IterationStop(0)).schedule
    course = course_of(problem, schedule, chances, early_days=EARLY_DAYS)
    drawn, run = new_drawn(course), new_run(course)
    for number in range(3):
        draw(course, drawn, seed, number)
        run_through(course, drawn, run)
        ours = dict(
            zip(course.original.tolist(), zip(run.start, run.finish, strict=True), strict=True)
        )

        theirs = Execution(problem, schedule, chances, drawn, course.original.tolist()).run()

        for i, dates in enumerate(theirs):
            assert dates == (ours[i] if ours[i][1] >= 0 else NOWHERE), (number, i)


@pytest.mark.parametrize("seed", range(20))
def test_working_time_is_that_of_the_calendar_whatever_the_length_of_its_days(seed):
    random = np.random.default_rng(seed)
    # In local time days of 23 and 25 hours occur; and an axis may begin and end inside one.
    lengths = random.choice([DAY - 4, DAY, DAY + 4], 40)
    day_first = np.concatenate(([0], np.cumsum(lengths))).astype(np.int32) - random.integers(0, 50)
    slots = 3000
    calendar = WorkCalendar("any", random.random(slots) < random.choice([0.05, 0.3, 0.9]))
    axis = Axis(datetime(2026, 1, 1, tzinfo=UTC), slots)
    work = Activity("work", 0, (Mode(None, 40, 0),))
    problem = Problem(axis, 0, (calendar,), (), (work,), (), (), (Job("job"),))
    chances = Chances(weather=WeatherChances(day_first))
    schedule = plan(problem, stop=IterationStop(0)).schedule
    course = course_of(problem, schedule, chances, early_days=0)
    drawn = new_drawn(course)
    drawn.work[0] = 40

    for slot in random.integers(0, slots, 200).tolist():
        opens = opens_at(course, drawn, 0, slot)
        index = calendar.before[slot]
        assert opens == (calendar.slot_of[index] if index < calendar.total else slots)
        if opens < slots:
            last = index + 40 - 1
            assert finish_of(course, drawn, 0, opens) == (
                calendar.slot_of[last] + 1 if last < calendar.total else -1
            )
