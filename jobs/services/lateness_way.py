"""The way back from the end of a job through what held it, for many draws at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from contractor.engine.prepared import NONE, prepare
from contractor.engine.simulate.course import SLOTS_PER_TEMPERATURE
from contractor.engine.simulate.course_tables import days_of
from contractor.engine.simulate.draw import draw, new_drawn
from jobs.selectors.drivers import OTHERS, PEOPLE, WEATHER

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from contractor.engine.problem import Problem
    from contractor.engine.schedule import Schedule
    from contractor.engine.simulate.course import Course
    from contractor.engine.simulate.draw import Drawn

    Slots = NDArray[Any]

# Longer than any way back that was seen: what lies behind it is borne by what lies before.
MOST_STEPS = 400


@dataclass(frozen=True, slots=True)
class Names:
    """
    What is to blame, by index: of work, of a late release, of a visit that comes again.

    `resource` names crews and machines that are busy elsewhere, `link` the wait of a link; "" is
    nobody. The texts of the plan's bounds are such names too where the plan itself is late.
    """

    work: Sequence[str]
    release: Sequence[str]
    visit: Sequence[str]
    link: Sequence[str]
    resource: Sequence[str]


class _Causes:
    """Causes by number; the first is nobody."""

    def __init__(self) -> None:
        self.names = [""]
        self._index = {"": 0}

    def __getitem__(self, name: str) -> int:
        if name not in self._index:
            self._index[name] = len(self.names)
            self.names.append(name)
        return self._index[name]

    def all(self, names: Sequence[str]) -> Slots:
        return np.array([self[name] for name in names], dtype=np.int64)


@dataclass(frozen=True, slots=True)
class Luck:
    """The luck of some runs, a column by run, rows by activity of the problem."""

    work: Slots
    released: Slots
    warmth: Slots
    # How many days were lost until each, by area and gate: runs × (areas · gates) × (days + 1).
    lost: Slots


@dataclass(frozen=True, slots=True)
class Happened:
    """
    Some runs: dates and luck, a column by run, rows by activity.

    `before` is who had its crew or machine last, NONE for nobody, `held_by` which of them.
    """

    starts: Slots
    finishes: Slots
    before: Slots
    held_by: Slots
    luck: Luck


class LuckOf:
    """Draws the luck of runs once more: what happened is known from their dates, why is not."""

    def __init__(self, course: Course, seed: int) -> None:
        self.course, self.seed = course, seed
        self.drawn: Drawn = new_drawn(course)

    def of(self, runs: range) -> Luck:
        course = self.course
        count = len(runs)
        work = np.empty((course.size, count), dtype=np.int32)
        released = np.empty((course.size, count), dtype=np.int32)
        warmth = np.empty((course.temperatures, count), dtype=np.int32)
        rows = max(course.areas * course.gates, 1)
        lost = np.zeros((count, rows, course.days + 1), dtype=np.int32)
        for column, run in enumerate(runs):
            draw(course, self.drawn, self.seed, run)
            work[course.original, column] = self.drawn.work
            released[course.original, column] = self.drawn.released
            warmth[:, column] = self.drawn.warmth
            if course.gates:
                np.cumsum(self.drawn.lost.reshape(rows, -1), axis=1, out=lost[column, :, 1:])
        return Luck(work, released, warmth, lost)


@dataclass(slots=True)
class _Step:
    """
    Where the ways of some draws have come to: a row of what is found, an activity, a run.

    `whole` says whether its work lies on the way, or its start alone; `via` is the crew or machine
    through which the way came to another job.
    """

    row: Slots
    at: Slots
    run: Slots
    whole: Slots
    via: Slots

    def add(self, found: Slots, cause: Slots, slots: Slots) -> None:
        """Add what is above nothing to a cause, where the way has the whole work."""
        np.add.at(found, (self.row, cause), np.where(self.whole, np.maximum(slots, 0), 0))

    def go_on(self, at: Slots, goes_on: Slots) -> None:
        """Go on to other activities, or not."""
        self.row, self.at, self.run = self.row[goes_on], at[goes_on], self.run[goes_on]
        self.whole, self.via = self.whole[goes_on], self.via[goes_on]


@dataclass(frozen=True, slots=True)
class _Linked:
    """The link that holds longest, NONE for none, until when, and when its leader freed it."""

    link: Slots
    ready: Slots
    told_ready: Slots
    freed: Slots
    told_freed: Slots


class Way:
    """The way back from an activity through what held it, for many draws at once."""

    def __init__(self, problem: Problem, schedule: Schedule, course: Course, names: Names) -> None:
        self.course = course
        self.end = problem.axis.slots
        self.layout = prepare(problem)
        self.causes = _Causes()
        self.weather, self.people = self.causes[WEATHER], self.causes[PEOPLE]
        self.others = self.causes[OTHERS]
        self.work_cause = self.causes.all(names.work)
        self.release_cause = self.causes.all(names.release)
        self.visit_cause = self.causes.all(names.visit)
        # One more each, so that an index of -1 finds nobody.
        self.link_cause = self.causes.all([*names.link, ""])
        self.resource_cause = self.causes.all([*names.resource, OTHERS])
        size = len(problem.activities)
        self.job = np.array([activity.job for activity in problem.activities])
        self.start, self.finish = np.zeros(size, dtype=np.int64), np.zeros(size, dtype=np.int64)
        for i, place in enumerate(schedule.placed):
            if place is not None:
                self.start[i], self.finish[i] = place.start, place.finish
        # Of a course the activities stand in another order.
        order = course.original
        self.crew, self.calendar, self.planned_work, self.lost_row = (
            self._by_activity(row)
            for row in (course.crew, course.calendar, course.work, course.lost_row)
        )
        self.not_before, self.promised = (
            self._by_activity(row) for row in (course.not_before, course.promised)
        )
        self.under_way = np.array([activity.under_way for activity in problem.activities])
        self.users: list[tuple[int, Slots]] = []
        for r in range(course.resources):
            places = [
                i
                for i in range(course.size)
                for k in range(course.use_first[i], course.use_first[i + 1])
                if course.use_resource[k] == r
            ]
            if len(places) > 1:
                self.users.append((r, order[places]))
        self._lay_links(problem)

    def _by_activity(self, row: Slots) -> Slots:
        found = np.empty(len(row), dtype=np.int64)
        found[self.course.original] = row
        return found

    def _lay_links(self, problem: Problem) -> None:
        links = problem.links
        held: list[list[int]] = [[] for _ in problem.activities]
        for index, link in enumerate(links):
            if not problem.activities[link.after].under_way:
                held[link.after].append(index)
        widest = max((len(row) for row in held), default=0)
        self.links = np.full((len(held), widest), NONE, dtype=np.int64)
        for i, row in enumerate(held):
            self.links[i, : len(row)] = row
        self.leader = np.array([link.before for link in links] or [0])
        self.from_start = np.array([link.start_to_start for link in links] or [False])
        self.wait = np.array([NONE if link.wait is None else link.wait for link in links] or [NONE])

    def resource_name(self, resource: int) -> str:
        """Return the cause that a crew or machine is."""
        return self.causes.names[int(self.resource_cause[resource])]

    def back(self, last: Slots, runs: Slots, happened: Happened) -> Slots:
        """Return by draw the slots that each cause added on the way back from `last`."""
        found = np.zeros((len(last), len(self.causes.names)))
        whole, via = np.ones(len(last), dtype=bool), np.full(len(last), self.others)
        step = _Step(np.arange(len(last)), last, runs, whole, via)
        home = self.job[last]
        for _ in range(MOST_STEPS):
            if not step.row.size:
                break
            self._add_work(found, step, home, happened)
            self._add_wait(found, step, happened)
        found[:, 0] = 0
        return found

    def _add_work(self, found: Slots, step: _Step, home: Slots, happened: Happened) -> None:
        """Add what the work itself took longer than planned, and why."""
        at, run, luck = step.at, step.run, happened.luck
        start, finish = happened.starts[at, run], happened.finishes[at, run]
        as_planned = self._ends(at, start, self.planned_work[at])
        as_drawn = self._ends(at, start, luck.work[at, run])
        mine = self.job[at] == home[step.row]
        step.add(found, np.where(mine, self.work_cause[at], step.via), as_drawn - as_planned)
        on_site = np.where(self.crew[at] == NONE, self.visit_cause[at], self.people)
        is_lost = self._is_lost(at, run, start, finish, luck)
        step.add(found, np.where(is_lost, self.weather, on_site), finish - as_drawn)

    def _add_wait(self, found: Slots, step: _Step, happened: Happened) -> None:
        """Add what held its start longer than planned, and go on there."""
        at, run, luck = step.at, step.run, happened.luck
        start = happened.starts[at, run]
        linked = self._by_links(at, run, happened)
        other = happened.before[at, run]
        has_other = (other != NONE) & ~self.under_way[at]
        other_ended = np.where(has_other, happened.finishes[other, run], -1)
        released = luck.released[at, run].astype(np.int64)
        is_late = released > self.not_before[at]
        bound = np.maximum(np.maximum(linked.ready, other_ended), released)
        by_link = (linked.link != NONE) & (linked.ready == bound)
        by_other = ~by_link & has_other & (other_ended == bound)
        by_release = ~by_link & ~by_other & is_late
        step.whole = np.ones(at.shape, dtype=bool)

        told_release = np.where(is_late, self.promised[at], self.not_before[at])
        told = np.where(by_other, self.finish[other], told_release)
        told = np.where(by_link, linked.told_ready, told)
        resource = self.resource_cause[happened.held_by[at, run]]
        is_lost = self._is_lost(at, run, bound, start, luck)
        # Its crew took first what was planned behind it.
        overtaken = by_other & (self.finish[other] > self.start[at])
        cause = np.where(overtaken, resource, np.where(is_lost, self.weather, 0))
        step.add(found, cause, (start - bound) - (self.start[at] - told))
        grown = (linked.ready - linked.freed) - (linked.told_ready - linked.told_freed)
        step.add(found, np.where(by_link, self.link_cause[linked.link], 0), grown)
        late = released - self.promised[at]
        step.add(found, np.where(by_release, self.release_cause[at], 0), late)

        leader_later = linked.freed - linked.told_freed
        later = np.where(by_link, leader_later, other_ended - self.finish[other])
        step.via = np.where(by_other, resource, step.via)
        step.whole = ~(by_link & self.from_start[linked.link])
        following = np.where(by_link, self.leader[linked.link], other)
        step.go_on(following, (by_link | by_other) & (later > 0))

    def held(self, starts: Slots, finishes: Slots) -> tuple[Slots, Slots]:
        """Return by activity and run who had its crew or machine last before it, and which."""
        before = np.full(starts.shape, NONE, dtype=np.int64)
        held_by = np.full(starts.shape, NONE, dtype=np.int64)
        latest = np.full(starts.shape, -1, dtype=np.int64)
        for resource, users in self.users:
            for run in range(starts.shape[1]):
                ends = finishes[users, run]
                order = np.argsort(ends, kind="stable")
                place = np.searchsorted(ends[order], starts[users, run], side="right") - 1
                found = users[order[np.maximum(place, 0)]]
                is_later = (place >= 0) & (found != users)
                is_later &= finishes[found, run] > latest[users, run]
                mine = users[is_later]
                before[mine, run] = found[is_later]
                held_by[mine, run] = resource
                latest[mine, run] = finishes[found[is_later], run]
        return before, held_by

    def _by_links(self, at: Slots, run: Slots, happened: Happened) -> _Linked:
        """Return the link that holds each the longest."""
        starts, finishes, luck = happened.starts, happened.finishes, happened.luck
        shape = at.shape
        ready, told_ready = np.full(shape, -1, dtype=np.int64), np.full(shape, -1, dtype=np.int64)
        freed, told_freed = ready.copy(), ready.copy()
        chosen = np.full(shape, NONE, dtype=np.int64)
        for column in range(self.links.shape[1]):
            link = self.links[at, column]
            leader, from_start = self.leader[link], self.from_start[link]
            free = np.where(from_start, starts[leader, run], finishes[leader, run])
            told = np.where(from_start, self.start[leader], self.finish[leader])
            slot = self._waited(self.wait[link], free, luck.warmth[:, run])
            is_later = (link != NONE) & (slot > ready)
            ready = np.where(is_later, slot, ready)
            chosen = np.where(is_later, link, chosen)
            freed, told_freed = (
                np.where(is_later, free, freed),
                np.where(is_later, told, told_freed),
            )
            told_ready = np.where(is_later, self._waited(self.wait[link], told, None), told_ready)
        return _Linked(chosen, ready, told_ready, freed, told_freed)

    def _waited(self, wait: Slots, slot: Slots, warmth: Slots | None) -> Slots:
        """Return when a wait from `slot` is over; by its own table where no warmth is drawn."""
        course = self.course
        slot = np.clip(slot, 0, self.end).astype(np.int64)
        table = np.maximum(wait, 0).astype(np.int64)
        if warmth is not None and course.variants:
            first = course.variant_first[table]
            part = np.minimum(slot // SLOTS_PER_TEMPERATURE, course.temperatures - 1)
            drawn = warmth[part, np.arange(slot.size)]
            table = np.where(first != NONE, first + drawn, table)
        if not course.variant_table.size:
            return slot
        over = course.variant_table[table * (self.end + 1) + slot]
        return np.where(wait == NONE, slot, over)

    def _ends(self, at: Slots, start: Slots, work: Slots) -> Slots:
        """Return when so much work, begun at `start` and never stopped, ends."""
        layout, calendar = self.layout, self.calendar[at]
        last = layout.before[calendar * (self.end + 1) + start] + work - 1
        last = np.clip(last, 0, np.maximum(layout.total[calendar] - 1, 0))
        ends = layout.slot_of[layout.slot_first[calendar] + last] + 1
        return np.where(work == 0, start, np.maximum(ends, start))

    def _is_lost(self, at: Slots, run: Slots, begins: Slots, ends: Slots, luck: Luck) -> Slots:
        """Return whether weather stops a day of the work of `at` from one slot to another."""
        course = self.course
        lost_row = self.lost_row[at]
        row = np.where(lost_row == NONE, 0, lost_row // course.days)
        first = days_of(course.day_first, np.clip(begins, 0, self.end))
        last = days_of(course.day_first, np.clip(ends, 0, self.end))
        lost = luck.lost[run, row, last + 1] - luck.lost[run, row, first]
        return np.asarray((lost_row != NONE) & (lost > 0))
