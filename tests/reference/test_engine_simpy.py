"""Plans carried out in SimPy: crews that keep the plan's order need no date to meet its dates.

Every activity is a process. It waits for what it follows, for its turn and for free units on each
of its resources, and then for a moment at which it may begin; it works in working slots only. As a
decoded plan leaves no gap into which work could move without overtaking, its dates come out again.
"""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Generator
from dataclasses import replace
from random import Random

import pytest
import simpy

from contractor.engine.decode import decode
from contractor.engine.improve import IterationStop
from contractor.engine.planner import plan
from contractor.engine.problem import Problem
from contractor.engine.schedule import Bind, Schedule
from tests.reference.engine_problems import Place, places_of, random_problem, stretches

Process = Generator[simpy.Event, int, None]


class Execution:
    """A run of the plan's order and crews; its dates are not looked at again."""

    def __init__(self, problem: Problem, places: list[Place]) -> None:
        self.problem = problem
        self.mode = [place.mode for place in places]
        self.clock = simpy.Environment(initial_time=problem.now)
        self.begun = [self.clock.event() for _ in places]
        self.done = [self.clock.event() for _ in places]
        self.units = [simpy.Resource(self.clock, row.capacity) for row in problem.resources]
        self.turns: dict[int, list[int]] = defaultdict(list)
        for i in sorted(range(len(places)), key=lambda i: places[i].start):
            for resource in set(self._needs(i)):
                self.turns[resource].append(i)

    def run(self) -> list[Place]:
        for i in range(len(self.mode)):
            self.clock.process(self._activity(i))
        self.clock.run()
        return [
            Place(mode, begun.value, done.value)
            for mode, begun, done in zip(self.mode, self.begun, self.done, strict=True)
        ]

    def _needs(self, i: int) -> tuple[int, ...]:
        mode = self.problem.activities[i].modes[self.mode[i]]
        return (*mode.machines, *(() if mode.crew is None else (mode.crew,)))

    def _activity(self, i: int) -> Process:
        yield from self._leaders(i)
        requests = []
        for resource in self._needs(i):
            turn = self.turns[resource].index(i)
            if turn:
                yield self.begun[self.turns[resource][turn - 1]]
            requests.append((resource, self.units[resource].request()))
            yield requests[-1][1]
        yield from self._until(self._may_begin(i))
        self.begun[i].succeed(self.clock.now)
        mode = self.problem.activities[i].modes[self.mode[i]]
        working = self.problem.calendars[mode.calendar].working
        left = mode.work_slots
        while left:
            left -= bool(working[self.clock.now])
            yield self.clock.timeout(1)
        self.done[i].succeed(self.clock.now)
        for resource, request in requests:
            self.units[resource].release(request)

    def _leaders(self, i: int) -> Process:
        if self.problem.activities[i].under_way:
            return
        for link in self.problem.links:
            if link.after == i:
                slot = yield (self.begun if link.start_to_start else self.done)[link.before]
                if link.wait is not None:
                    slot = int(self.problem.waits[link.wait].table[slot])
                yield from self._until(slot)

    def _may_begin(self, i: int) -> int:
        """Return the first slot from now on at which nothing but other work is in the way."""
        activity = self.problem.activities[i]
        earliest = self.clock.now
        told = activity.announced
        if activity.pin:
            earliest = max(earliest, activity.pin.start)
        elif told and not activity.under_way and told.start < self.problem.freeze_until:
            earliest = max(earliest, told.start)
        starts = [start for start, _ in stretches(self.problem, i, self.mode[i])]
        return starts[bisect_left(starts, earliest)]

    def _until(self, slot: int) -> Process:
        if slot > self.clock.now:
            yield self.clock.timeout(slot - self.clock.now)


def without_hold_backs(problem: Problem) -> Problem:
    """Return the problem with all jobs begun: those are never held back to run through."""
    return replace(problem, jobs=tuple(replace(job, begun=True) for job in problem.jobs))


def is_held_back(schedule: Schedule) -> bool:
    return any(placed.because.kind is Bind.FLOW for placed in schedule.placed if placed)


@pytest.mark.parametrize("seed", range(1000, 1080))
def test_crews_that_keep_the_order_of_a_decoded_plan_meet_its_dates(seed):
    whole = without_hold_backs(random_problem(seed))
    size = len(whole.activities)
    schedule = decode(whole, Random(seed).sample(range(size), size))
    assert not is_held_back(schedule)

    carried_out = Execution(whole, places_of(schedule)).run()

    assert carried_out == places_of(schedule)


@pytest.mark.parametrize("seed", range(1080, 1120))
def test_crews_that_keep_the_order_of_an_improved_plan_meet_its_dates(seed):
    whole = without_hold_backs(random_problem(seed))
    untold = tuple(
        row if row.under_way else replace(row, announced=None) for row in whole.activities
    )
    whole = replace(whole, activities=untold)
    schedule = plan(whole, stop=IterationStop(30)).schedule
    assert not is_held_back(schedule)

    carried_out = Execution(whole, places_of(schedule)).run()

    assert carried_out == places_of(schedule)
