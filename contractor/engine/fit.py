"""Where a mode fits: forward to the first free stretch, or backward to the last one."""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import NamedTuple

from contractor.engine.dates import PAUSE, WINDOW, Blocker
from contractor.engine.prepared import FitMode, FitStretches, FitWindows
from contractor.engine.timeline import Timeline
from contractor.engine.worktime import HorizonExceeded


class Fit(NamedTuple):
    """Where one mode of an activity fits."""

    finish: int
    start: int
    mode: int
    crew: int | None
    blocker: Blocker | None


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
    uses, stretches = mode.uses, mode.stretches
    slot = earliest
    while True:
        if slot >= len(before):
            raise HorizonExceeded(f"a search reached slot {slot}, beyond the axis")
        index = before[slot]
        if index >= total or index + work > total:
            raise HorizonExceeded(f"{work} slots of work from slot {slot} do not end on the axis")
        start = slot_of[index]
        finish = slot_of[index + work - 1] + 1 if work else start
        # Most work is over sooner than a long pause would be, and need not be looked up.
        if stretches is not None and finish - start > stretches.longest_pause:
            unbroken = _unbroken_from(stretches, index, work)
            if unbroken > index:
                start, finish = slot_of[unbroken], slot_of[unbroken + work - 1] + 1
                blocker = Blocker(PAUSE, PAUSE, start)
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


def may_finish_by(mode: FitMode, earliest: int, latest: int) -> bool:
    """Return whether the calendar alone lets the mode finish by `latest`."""
    if earliest >= len(mode.before):
        return True
    index = mode.before[earliest] + mode.work - 1
    return index < 0 or index >= mode.total or mode.slot_of[index] < latest


def _unbroken_from(stretches: FitStretches, index: int, work: int) -> int:
    """Return the first working slot from that of `index` on where no long pause breaks the work.

    It is `index` itself where no stretch from there on is long enough.
    """
    i = bisect_left(stretches.last_starts, index)
    if i < len(stretches.opens):
        return max(index, stretches.opens[i])
    if index < stretches.cut_off < index + work:
        raise HorizonExceeded(f"{work} slots of work run into a stretch that the axis cuts off")
    return index


def _unbroken_until(stretches: FitStretches, index: int) -> int:
    """Return the last working slot up to that of `index` where no long pause breaks the work.

    It is -1 where there is none, and `index` itself where no stretch at all is long enough.
    """
    if not stretches.opens:
        return index
    i = bisect_right(stretches.opens, index) - 1
    return -1 if i < 0 else min(index, stretches.last_starts[i])


def _window_opens(windows: FitWindows, start: int, finish: int) -> int | None:
    """Return when the first window opens that closes late enough, at `start` at the earliest."""
    i = bisect_left(windows.closes, max(finish, start + 1))
    if i == len(windows.closes):
        return None
    return max(windows.opens[i], start)


def last_fit(
    mode: FitMode,
    after: int,
    latest: int,
    windows: FitWindows | None,
    timelines: Sequence[Timeline],
) -> tuple[int, int] | None:
    """Return start and finish of the last free stretch that ends by `latest`.

    None when there is none that starts later than `after`. `mode` must have work to do.
    """
    before, slot_of, work = mode.before, mode.slot_of, mode.work
    while True:
        index = before[latest] - work
        if mode.stretches is not None:
            index = _unbroken_until(mode.stretches, index)
        start = slot_of[index] if index >= 0 else -1
        if start <= after:
            return None
        finish = slot_of[index + work - 1] + 1
        closes = finish if windows is None else _window_closes(windows, start, finish)
        if closes is None:
            return None
        if closes < finish:
            latest = closes
            continue
        for resource, units in mode.uses:
            begins = timelines[resource].conflict_begins(start, finish, units)
            if begins is not None:
                latest = begins
                break
        else:
            return start, finish


def _window_closes(windows: FitWindows, start: int, finish: int) -> int | None:
    """Return when the last window closes that is open at `start`, at `finish` at the latest."""
    i = bisect_right(windows.opens, start) - 1
    return None if i < 0 else min(windows.closes[i], finish)
