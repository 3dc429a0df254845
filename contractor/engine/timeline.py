"""What occupies a resource, and when it is next free."""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import Protocol

BLOCKED = -1
"""The holder of a stretch in which a resource is blocked, where activities have their index."""


class Timeline(Protocol):
    """The occupation of one resource while a plan is being built."""

    def conflict(
        self, start: int, finish: int, units: int, at_least: int
    ) -> tuple[int, int] | None:
        """Return where to look next and who is in the way, or None when the stretch is free."""

    def conflict_begins(self, start: int, finish: int, units: int) -> int | None:
        """Return when the first thing in the way begins, or None when the stretch is free."""

    def occupy(self, start: int, finish: int, units: int, holder: int) -> None:
        """Record that `holder` takes `units` from `start` to `finish`."""

    def vacate(self, start: int, finish: int, units: int, holder: int) -> None:
        """Take back what was recorded for exactly this stretch."""


class SingleTimeline:
    """A resource that does one thing at a time: busy stretches that do not overlap, in order."""

    __slots__ = ("_ends", "_holders", "_starts")

    def __init__(self, blocked: Sequence[tuple[int, int]]) -> None:
        self._starts = [begins for begins, _ in blocked]
        self._ends = [ends for _, ends in blocked]
        self._holders = [BLOCKED] * len(self._starts)

    def conflict(
        self, start: int, finish: int, units: int, at_least: int
    ) -> tuple[int, int] | None:
        starts, ends = self._starts, self._ends
        i = bisect_right(ends, start)
        if i == len(ends) or starts[i] >= finish:
            return None
        # A gap shorter than the work cannot hold it, so the search steps over it here.
        last = len(ends) - 1
        while i < last and starts[i + 1] - ends[i] < at_least:
            i += 1
        return ends[i], self._holders[i]

    def conflict_begins(self, start: int, finish: int, units: int) -> int | None:
        i = bisect_right(self._ends, start)
        if i == len(self._ends) or self._starts[i] >= finish:
            return None
        return self._starts[i]

    def occupy(self, start: int, finish: int, units: int, holder: int) -> None:
        i = bisect_left(self._starts, start)
        self._starts.insert(i, start)
        self._ends.insert(i, finish)
        self._holders.insert(i, holder)

    def vacate(self, start: int, finish: int, units: int, holder: int) -> None:
        i = bisect_left(self._starts, start)
        del self._starts[i], self._ends[i], self._holders[i]


class SharedTimeline:
    """A resource of several units: the load as a step function, constant between `_times`."""

    __slots__ = ("_capacity", "_load", "_released_by", "_times")

    def __init__(self, capacity: int, blocked: Sequence[tuple[int, int]]) -> None:
        self._capacity = capacity
        self._times = [0]
        self._load = [0]
        self._released_by: dict[int, list[int]] = {}
        for begins, ends in blocked:
            self.occupy(begins, ends, capacity, BLOCKED)

    def conflict(
        self, start: int, finish: int, units: int, at_least: int
    ) -> tuple[int, int] | None:
        times, load, free = self._times, self._load, self._capacity - units
        i = bisect_right(times, start) - 1
        while i < len(times) and times[i] < finish:
            if load[i] > free:
                # The last step has no load, so the search below ends.
                while load[i] > free:
                    i += 1
                return times[i], self._released_by[times[i]][-1]
            i += 1
        return None

    def conflict_begins(self, start: int, finish: int, units: int) -> int | None:
        times, load, free = self._times, self._load, self._capacity - units
        i = bisect_right(times, start) - 1
        while i < len(times) and times[i] < finish:
            if load[i] > free:
                return times[i]
            i += 1
        return None

    def occupy(self, start: int, finish: int, units: int, holder: int) -> None:
        first, last = self._step_at(start), self._step_at(finish)
        for i in range(first, last):
            self._load[i] += units
        self._released_by.setdefault(finish, []).append(holder)

    def vacate(self, start: int, finish: int, units: int, holder: int) -> None:
        # The steps stay: a step without a change of load is harmless.
        for i in range(self._step_at(start), self._step_at(finish)):
            self._load[i] -= units
        self._released_by[finish].remove(holder)

    def _step_at(self, slot: int) -> int:
        i = bisect_left(self._times, slot)
        if i == len(self._times) or self._times[i] != slot:
            self._times.insert(i, slot)
            self._load.insert(i, self._load[i - 1])
        return i


def merge_stretches(stretches: Sequence[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Return the same time as stretches in order that neither touch nor overlap."""
    merged: list[tuple[int, int]] = []
    for begins, ends in sorted(stretches):
        if merged and begins <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], ends))
        else:
            merged.append((begins, ends))
    return tuple(merged)
