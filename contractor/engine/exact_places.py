"""Where each activity can be at all: starts by mode, cut to those that could still pay.

What stays where it is counts as a blocked stretch here, so a search that frees few activities has
few places to choose from, however large the problem.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contractor.engine.objective import days_late
from contractor.engine.prices import (
    FROZEN_TOLERANCE_SLOTS,
    PRICE_BROKEN_PIN,
    PRICE_CREW_CHANGE,
    PRICE_FINISH_DAY,
    PRICE_FROZEN_MOVE,
    PRICE_LATE_DAY,
    PRICE_MOVED_DAY,
)
from contractor.engine.problem import Activity, Link, Mode, Problem
from contractor.engine.worktime import SLOTS_PER_DAY

__all__ = [
    "Choices",
    "Part",
    "Place",
    "Places",
    "Reach",
    "Taken",
    "cut_by_cost",
    "cut_by_links",
    "first_places",
    "one_place",
    "resources_used",
]

Slots = NDArray[np.int64]
Costs = NDArray[np.float64]
Place = tuple[int, int, int]
"""Mode, start and finish of an activity."""


@dataclass(frozen=True, slots=True)
class Places:
    """All places of one activity in one mode: `start` and `finish` in slots, both rising."""

    mode: int
    start: Slots
    finish: Slots

    def where(self, keep: NDArray[np.bool_]) -> "Places":
        """Return the places for which `keep` holds."""
        return Places(self.mode, self.start[keep], self.finish[keep])


@dataclass(frozen=True, slots=True)
class Reach:
    """Which starts are looked at: those up to `slots` before or after where work begins now.

    Of these, every `step`th working slot of a calendar, and where it begins now.
    """

    slots: int
    step: int


Choices = dict[int, list[Places]]
"""By activity, its places in each mode that has any."""


def one_place(place: Place) -> Places:
    """Return the place of an activity that stays where it is."""
    mode, start, finish = place
    return Places(mode, np.array([start]), np.array([finish]))


class Taken:
    """Units of each resource that stay in use by what is not free, slot by slot."""

    def __init__(self, problem: Problem, stays: Sequence[tuple[Mode, int, int]]) -> None:
        self._problem = problem
        self._by_resource: dict[int, list[tuple[int, int, int]]] = {}
        for mode, start, finish in stays:
            if start < finish:
                for resource, units in resources_used(mode).items():
                    self._by_resource.setdefault(resource, []).append((start, finish, units))
        self._load: dict[int, Slots] = {}
        self._closed: dict[tuple[int, int], Slots] = {}

    def load(self, resource: int) -> Slots:
        """Return the units in use in each slot, without blocked stretches."""
        if resource not in self._load:
            change = np.zeros(self._problem.axis.slots + 1, dtype=np.int64)
            for start, finish, units in self._by_resource.get(resource, ()):
                change[start] += units
                change[finish] -= units
            self._load[resource] = np.cumsum(change)
        return self._load[resource]

    def closed_before(self, resource: int, units: int) -> Slots:
        """Return by slot how many slots before it do not have `units` left."""
        if (resource, units) not in self._closed:
            row = self._problem.resources[resource]
            closed = self.load(resource)[:-1] + units > row.capacity
            for begins, ends in row.blocked:
                closed[begins:ends] = True
            self._closed[resource, units] = np.concatenate(([0], np.cumsum(closed)))
        return self._closed[resource, units]


@dataclass(frozen=True)
class Part:
    """The part of a problem that the model holds.

    `choices` are the places of its activities, one place for those that stay; `now` is where each
    is; `jobs` those whose price counts, with all their activities; `links` those inside the part.
    """

    problem: Problem
    choices: Choices
    now: dict[int, Place]
    free: frozenset[int]
    jobs: tuple[int, ...]
    links: tuple[Link, ...]
    taken: Taken


def resources_used(mode: Mode) -> dict[int, int]:
    """Return the units of each resource that work in `mode` holds; work of no length holds none."""
    if mode.work_slots == 0:
        return {}
    used = {machine: mode.machines.count(machine) for machine in mode.machines}
    return used if mode.crew is None else used | {mode.crew: 1}


def first_places(
    problem: Problem, i: int, taken: Taken, reach: Reach | None = None, now: int = 0
) -> list[Places]:
    """Return every place that calendar, windows, pauses, release and what stays leave to `i`.

    With `reach`, only those in reach of slot `now`.
    """
    activity = problem.activities[i]
    found = []
    for m, mode in enumerate(activity.modes):
        places = _in_working_time(problem, activity, m, reach, now)
        keep = np.ones(places.start.size, dtype=np.bool_)
        for resource, units in resources_used(mode).items():
            closed = taken.closed_before(resource, units)
            keep &= closed[places.finish] == closed[places.start]
        if activity.windows:
            inside = np.zeros_like(keep)
            for window in activity.windows:
                inside |= (places.start >= window.opens) & (
                    np.maximum(places.finish, places.start + 1) <= window.closes
                )
            keep &= inside
        if keep.any():
            found.append(places.where(keep))
    return found


def _in_working_time(
    problem: Problem, activity: Activity, m: int, reach: Reach | None, now: int
) -> Places:
    mode = activity.modes[m]
    calendar = problem.calendars[mode.calendar]
    worked = np.asarray(calendar.slot_of, dtype=np.int64)
    first = calendar.before[min(max(problem.now, activity.release), problem.axis.slots)]
    last = worked.size + min(1 - mode.work_slots, 0)
    if reach is None:
        index = np.arange(first, last)
    else:
        index = _in_reach(worked, int(first), last, reach, now)
    start = worked[index]
    finish = worked[index + mode.work_slots - 1] + 1 if mode.work_slots else start
    places = Places(m, start, finish)
    limit = problem.longest_pause_slots
    if limit is None or mode.work_slots < 2 or not index.size:
        return places
    return places.where(~_stops_needlessly(worked, index, mode.work_slots, limit))


def _in_reach(worked: Slots, first: int, last: int, reach: Reach, now: int) -> Slots:
    low, here, high = np.searchsorted(worked, (now - reach.slots, now, now + reach.slots)).tolist()
    low, high = max(low, first), min(high, last)
    index = np.arange(-(-low // reach.step) * reach.step, high, reach.step)
    if low <= here < high and worked[here] == now and here % reach.step:
        index = np.insert(index, np.searchsorted(index, here), here)
    return index


def _stops_needlessly(worked: Slots, index: Slots, work: int, limit: int) -> NDArray[np.bool_]:
    """Return which starts stop for a pause of more than `limit` though a later stretch holds all.

    A stretch is what lies between two such pauses.
    """
    ends = np.append(np.flatnonzero(np.diff(worked) - 1 > limit) + 1, worked.size)
    lengths = np.diff(ends, prepend=0)
    longest_from = np.append(np.maximum.accumulate(lengths[::-1])[::-1], 0)
    own = np.searchsorted(ends, index, side="right")
    stops: NDArray[np.bool_] = (index + work > ends[own]) & (longest_from[own + 1] >= work)
    return stops


def cut_by_links(problem: Problem, choices: Choices, links: Sequence[Link]) -> None:
    """Take out, in place, what is too early for its leaders or too late for its followers.

    `links` are those among the activities of `choices`, leaders' links before followers'.
    """
    for link in links:
        rows = choices[link.before]
        head = min(int((p.start if link.start_to_start else p.finish)[0]) for p in rows)
        if link.wait is not None:
            head = int(problem.waits[link.wait].table[head])
        choices[link.after] = _kept(choices[link.after], lambda p, head=head: p.start >= head)
    for link in reversed(links):
        tail = max(int(p.start[-1]) for p in choices[link.after])
        if link.wait is not None:
            table = problem.waits[link.wait].table
            tail = int(np.searchsorted(table, tail, side="right")) - 1
        choices[link.before] = _kept(
            choices[link.before],
            lambda p, tail=tail, link=link: (p.start if link.start_to_start else p.finish) <= tail,
        )


def _kept(rows: list[Places], holds) -> list[Places]:  # type: ignore[no-untyped-def]
    cut = [places.where(holds(places)) for places in rows]
    return [places for places in cut if places.start.size]


def own_cost(problem: Problem, i: int, places: Places) -> Costs:
    """Return what it costs, place by place, that `i` is not where it was pinned or announced."""
    activity = problem.activities[i]
    cost = np.zeros(places.start.size)
    if activity.under_way:
        return cost
    crew = activity.modes[places.mode].crew
    pin, told = activity.pin, activity.announced
    if pin is not None:
        kept = (places.start == pin.start) & (pin.crew in (None, crew))
        cost += PRICE_BROKEN_PIN * ~kept
    if told is not None:
        moved = np.abs(places.start - told.start)
        other = told.crew is not None and told.crew != crew
        cost += PRICE_MOVED_DAY * told.weight * (moved // SLOTS_PER_DAY) + PRICE_CREW_CHANGE * other
        if told.start < problem.freeze_until and pin is None:
            cost += PRICE_FROZEN_MOVE * ((moved >= FROZEN_TOLERANCE_SLOTS) | other)
    return cost


def cost_of_end(problem: Problem, j: int, end: int) -> float:
    """Return what it costs that job `j` ends at slot `end`."""
    job = problem.jobs[j]
    late = 0 if job.due is None else days_late(job.due, end)
    return PRICE_LATE_DAY * job.weight * late + PRICE_FINISH_DAY * (
        (end - problem.now) / SLOTS_PER_DAY
    )


def cut_by_cost(
    problem: Problem,
    choices: Choices,
    jobs: Collection[int],
    places: dict[int, Place],
    other_costs: float,
) -> None:
    """Take out, in place, every place that alone costs more than could be gained elsewhere.

    `places` has mode, start and finish now. `other_costs` is all they cost beyond `own_cost` and
    `cost_of_end` of `jobs`.
    """
    least = {i: min(float(own_cost(problem, i, p).min()) for p in choices[i]) for i in choices}
    slack = other_costs
    for i, place in places.items():
        now = own_cost(problem, i, one_place(place))
        slack += float(now[0]) - least[i]
    soonest, latest = {}, {}
    for j in jobs:
        members = [i for i in choices if problem.activities[i].job == j]
        soonest[j] = max(min(int(p.finish[0]) for p in choices[i]) for i in members)
        slack += cost_of_end(problem, j, max(places[i][2] for i in members))
        slack -= cost_of_end(problem, j, soonest[j])
    slack += 1e-6
    for j in jobs:
        limit = cost_of_end(problem, j, soonest[j]) + slack
        latest[j] = _last_end_within(problem, j, soonest[j], limit)
    for i, rows in choices.items():
        end = latest.get(problem.activities[i].job, problem.axis.slots)
        choices[i] = [
            kept
            for p in rows
            if (
                kept := p.where((own_cost(problem, i, p) <= least[i] + slack) & (p.finish <= end))
            ).start.size
        ]


def _last_end_within(problem: Problem, j: int, low: int, limit: float) -> int:
    high = problem.axis.slots
    while low < high:
        middle = (low + high + 1) // 2
        if cost_of_end(problem, j, middle) <= limit:
            low = middle
        else:
            high = middle - 1
    return low
