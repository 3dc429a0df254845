"""Serial schedule generation: activities one by one, each into the first gap that holds it.

This is the inner loop of every search, so it deals in plain lists and records only what the
explanation cannot work out afterwards. `decode` turns its result into a `Schedule`.
"""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from heapq import heapify, heappop, heappush
from typing import NamedTuple

from contractor.engine.prepared import (
    FROZEN,
    OPEN,
    PINNED,
    UNDER_WAY,
    FitMode,
    FitWindows,
    Prepared,
)
from contractor.engine.timeline import Timeline
from contractor.engine.worktime import HorizonExceeded

UNPLANNED = -1
WINDOW = -1
"""Stands where a `Blocker` names a resource: it was a window that held the activity back."""


class Blocker(NamedTuple):
    """What moved an activity last: `resource` was held by `holder` until `slot`."""

    resource: int
    holder: int
    slot: int


class Fit(NamedTuple):
    """Where one mode of an activity fits."""

    finish: int
    start: int
    mode: int
    crew: int | None
    blocker: Blocker | None


@dataclass(slots=True)
class Dates:
    """The outcome by activity. `mode` is UNPLANNED where there is none, and then dates are 0."""

    mode: list[int]
    crew: list[int | None]
    start: list[int]
    finish: list[int]
    blocker: list[Blocker | None]
    held_by: dict[int, int]
    """Unplanned activities, each with the unplanned leader that holds it, or itself."""
    broken_pins: list[int]


def run_serial(
    prepared: Prepared,
    order: Sequence[int],
    *,
    crew_choice: Mapping[int, int] | None = None,
    right_shift: bool = False,
) -> Dates:
    """Return dates for all activities, taken by rank and then in `order` as leaders allow.

    `order` names every activity once. `crew_choice` names a crew by activity, used where it has a
    mode. With `right_shift` what was announced keeps its crew, never starts earlier, and keeps its
    order on the crew. Raises HorizonExceeded when something does not fit on the axis.
    """
    return _Run(prepared, crew_choice or {}, right_shift).place_all(order)


class _Run:
    """One pass. Holds the occupation of all resources while it lasts."""

    def __init__(
        self, prepared: Prepared, crew_choice: Mapping[int, int], right_shift: bool
    ) -> None:
        size = prepared.size
        self.prepared = prepared
        self.crew_choice = crew_choice
        self.right_shift = right_shift
        self.timelines = prepared.timelines()
        self.job_crew = list(prepared.preferred_crew_by_job)
        self.last_on_crew: dict[int, int] = {}
        self.dates = Dates(
            mode=[UNPLANNED] * size,
            crew=[None] * size,
            start=[0] * size,
            finish=[0] * size,
            blocker=[None] * size,
            held_by={},
            broken_pins=[],
        )

    def place_all(self, order: Sequence[int]) -> Dates:
        prepared = self.prepared
        position = _positions(order, prepared.size)
        missing = [len(row) for row in prepared.leaders]
        keys = self._shift_keys() if self.right_shift else _rank_keys(prepared)
        ready = [(*keys[i], position[i], i) for i in range(prepared.size) if missing[i] == 0]
        heapify(ready)
        while ready:
            activity = heappop(ready)[3]
            self._place(activity)
            for after in prepared.followers[activity]:
                missing[after] -= 1
                if missing[after] == 0:
                    heappush(ready, (*keys[after], position[after], after))
        return self.dates

    def _shift_keys(self) -> list[tuple[int, int]]:
        """Return keys that take activities by the start that people have been told."""
        prepared = self.prepared
        keys = []
        for i in range(prepared.size):
            told = prepared.wanted_start[i]
            if told is None:
                told = prepared.announced_start[i]
            under_way = prepared.rank[i] == UNDER_WAY
            keys.append((0 if under_way else 1, prepared.axis_slots if told is None else told))
        for i in reversed(prepared.topological):
            for after in prepared.followers[i]:
                keys[i] = min(keys[i], (1, keys[after][1]))
        return keys

    def _place(self, activity: int) -> None:
        earliest = self._earliest(activity)
        if earliest is None:
            return
        fit = self._choose(activity, earliest)
        if fit is None:
            self.dates.held_by[activity] = activity
            return
        self._book(activity, fit)

    def _earliest(self, activity: int) -> int | None:
        """Return the first slot that links and releases leave, or None where a leader is lost."""
        prepared, dates = self.prepared, self.dates
        earliest = prepared.earliest[activity]
        for before, start_to_start, table, _ in prepared.leaders[activity]:
            if dates.mode[before] == UNPLANNED:
                dates.held_by[activity] = before
                return None
            slot = dates.start[before] if start_to_start else dates.finish[before]
            if table is not None:
                slot = table[slot]
            if slot > earliest:
                earliest = slot
        if earliest >= prepared.axis_slots:
            raise HorizonExceeded(f"activity {activity} is held until the axis ends or longer")
        return earliest

    def _choose(self, activity: int, earliest: int) -> Fit | None:
        prepared = self.prepared
        rank = prepared.rank[activity]
        start, crew = prepared.wanted_start[activity], prepared.wanted_crew[activity]
        if self.right_shift and rank >= FROZEN:
            start, crew = prepared.announced_start[activity], prepared.announced_crew[activity]
        if start is not None and start > earliest:
            earliest = start
        modes = prepared.modes[activity]
        if rank == UNDER_WAY:
            going_on = [mode for mode in modes if mode.crew == crew] if crew is not None else []
            return self._best(activity, (going_on or modes)[:1], earliest)
        if crew is None:
            crew = self.crew_choice.get(activity)
        if crew is not None:
            chosen = [mode for mode in modes if mode.crew == crew]
            if fit := self._best(activity, chosen, earliest):
                return fit
        return self._best(activity, modes, earliest)

    def _best(self, activity: int, modes: Sequence[FitMode], earliest: int) -> Fit | None:
        """Return the fit that finishes first; the crew already told yields to a clear gain only.

        A mode that runs off the axis is passed over where another one fits.
        """
        prepared = self.prepared
        own_crew = prepared.announced_crew[activity]
        if own_crew is None:
            own_crew = self.job_crew[prepared.job[activity]]
        own: Fit | None = None
        best: Fit | None = None
        latest = prepared.axis_slots
        too_long: HorizonExceeded | None = None
        for mode in _own_crew_first(modes, own_crew):
            if not _may_finish_by(mode, earliest, latest):
                continue
            try:
                fit = self._fit(activity, mode, earliest)
            except HorizonExceeded as exceeded:
                too_long = exceeded
                continue
            if fit is None:
                continue
            if mode.crew is not None and mode.crew == own_crew:
                if own is None or fit < own:
                    own = fit
                    latest = fit.finish - max(prepared.change_crew_slots, 1)
            elif fit.finish <= latest and (best is None or fit < best):
                best = fit
                latest = fit.finish
        if own is None and best is None and too_long is not None:
            raise too_long
        return best or own

    def _fit(self, activity: int, mode: FitMode, earliest: int) -> Fit | None:
        """Return where `mode` fits; in a right shift not ahead of what was announced before it."""
        blocker = None
        if (
            mode.work
            and mode.crew is not None
            and (self.prepared.announced_start[activity] is not None)
        ):
            last = self.last_on_crew.get(mode.crew)
            if last is not None and self.dates.start[last] > earliest:
                earliest = self.dates.start[last]
                blocker = Blocker(mode.crew, last, earliest)
        return first_fit(mode, earliest, self.prepared.windows[activity], self.timelines, blocker)

    def _book(self, activity: int, fit: Fit) -> None:
        prepared, dates = self.prepared, self.dates
        finish, start, index, crew, blocker = fit
        dates.mode[activity] = index
        dates.crew[activity] = crew
        dates.start[activity] = start
        dates.finish[activity] = finish
        dates.blocker[activity] = blocker
        for resource, units in prepared.modes[activity][index].uses:
            self.timelines[resource].occupy(start, finish, units, activity)
        if crew is not None:
            job = prepared.job[activity]
            if self.job_crew[job] is None:
                self.job_crew[job] = crew
            told = prepared.announced_start[activity] is not None
            if self.right_shift and told and finish > start:
                self.last_on_crew[crew] = activity
        if prepared.rank[activity] == PINNED:
            pinned_crew = prepared.wanted_crew[activity]
            if start != prepared.wanted_start[activity] or pinned_crew not in (None, crew):
                dates.broken_pins.append(activity)


def first_fit(
    mode: FitMode,
    earliest: int,
    windows: FitWindows | None,
    timelines: Sequence[Timeline],
    blocker: Blocker | None = None,
) -> Fit | None:
    """Return the first stretch at or after `earliest` that everything the mode needs is free for.

    None means that no window holds it. `blocker` is what set `earliest`, if anything but a bound.
    """
    before, slot_of, total, work = mode.before, mode.slot_of, mode.total, mode.work
    uses = mode.uses
    slot = earliest
    while True:
        if slot >= len(before):
            raise HorizonExceeded(f"a search reached slot {slot}, beyond the axis")
        index = before[slot]
        if index >= total or index + work > total:
            raise HorizonExceeded(f"{work} slots of work from slot {slot} do not end on the axis")
        start = slot_of[index]
        finish = slot_of[index + work - 1] + 1 if work else start
        if windows is not None:
            opens = _window_opens(windows, start, finish)
            if opens is None:
                return None
            if opens > start:
                slot = opens
                blocker = Blocker(WINDOW, WINDOW, opens)
                continue
        for resource, units in uses:
            conflict = timelines[resource].conflict(start, finish, units, work)
            if conflict is not None:
                slot, holder = conflict
                blocker = Blocker(resource, holder, slot)
                break
        else:
            return Fit(finish, start, mode.index, mode.crew, blocker)


def _window_opens(windows: FitWindows, start: int, finish: int) -> int | None:
    """Return when the first window opens that closes late enough, at `start` at the earliest."""
    i = bisect_left(windows.closes, max(finish, start + 1))
    if i == len(windows.closes):
        return None
    return max(windows.opens[i], start)


def _own_crew_first(modes: Sequence[FitMode], own_crew: int | None) -> Sequence[FitMode]:
    if own_crew is None or len(modes) < 2:
        return modes
    return sorted(modes, key=lambda mode: mode.crew != own_crew)


def _may_finish_by(mode: FitMode, earliest: int, latest: int) -> bool:
    """Return whether the calendar alone lets the mode finish by `latest`."""
    if earliest >= len(mode.before):
        return True
    index = mode.before[earliest] + mode.work - 1
    return index < 0 or index >= mode.total or mode.slot_of[index] < latest


def _rank_keys(prepared: Prepared) -> list[tuple[int, int]]:
    """Return keys that take fixed activities first, in the order of the starts they want."""
    keys = []
    for i in range(prepared.size):
        rank = prepared.rank[i]
        wanted = prepared.earliest[i] if rank == UNDER_WAY else prepared.wanted_start[i]
        keys.append((rank, wanted if rank < OPEN and wanted is not None else 0))
    return keys


def _positions(order: Sequence[int], size: int) -> list[int]:
    position = [-1] * size
    for place, activity in enumerate(order):
        if not 0 <= activity < size:
            raise ValueError(f"order: {activity} is not an activity from 0 to {size - 1}")
        if position[activity] >= 0:
            raise ValueError(f"order: activity {activity} is named twice")
        position[activity] = place
    if len(order) != size:
        raise ValueError(f"order: activity {position.index(-1)} is not named")
    return position
