"""Where a mode fits: forward to the first free stretch, or backward to the last one.

Modes are named by their index among those of all activities.
"""

import numpy as np

from contractor.engine.compiled import kernel
from contractor.engine.occupancy import first_room, first_taken, last_room
from contractor.engine.prepared import NONE, Layout
from contractor.engine.state import PAUSE, WINDOW, State

FITS, NO_WINDOW, EXCEEDED = 0, 1, 2
"""What a search ends in; EXCEEDED says that the axis is too short to know."""

Fit = tuple[int, int, int, int, int, int, int]
"""How the search ended, then mode, start and finish, and what moved the start last: a resource,
who held it, and until which slot. All of one width, since that compiles several times faster."""


@kernel
def fit_of(m: int, start: int, finish: int, blocker: int, holder: int, freed: int) -> Fit:
    """Return a fit."""
    return (  # type: ignore[return-value]
        np.int64(FITS),
        np.int64(m),
        np.int64(start),
        np.int64(finish),
        np.int64(blocker),
        np.int64(holder),
        np.int64(freed),
    )


@kernel
def no_fit(ending: int) -> Fit:
    """Return that there is none."""
    nothing, zero = np.int64(NONE), np.int64(0)
    return (  # type: ignore[return-value]
        np.int64(ending),
        nothing,
        zero,
        zero,
        nothing,
        nothing,
        nothing,
    )


@kernel
def is_sooner(fit: Fit, than: Fit) -> bool:
    """Return whether it finishes first; of equals the one that starts first, then the first."""
    if fit[3] != than[3]:
        return fit[3] < than[3]
    if fit[2] != than[2]:
        return fit[2] < than[2]
    return fit[1] < than[1]


@kernel
def first_fit(
    lay: Layout,
    st: State,
    m: int,
    window_set: int,
    earliest: int,
) -> Fit:
    """Return the first free stretch at or after `earliest`, or how else the search ends.

    Its blocker is what moved the start last, if anything did.
    """
    row, first = lay.mode_calendar[m] * (lay.axis_slots + 1), lay.slot_first[lay.mode_calendar[m]]
    total, work = lay.total[lay.mode_calendar[m]], lay.mode_work[m]
    blocker, holder, freed = NONE, NONE, NONE
    slot = earliest
    while True:
        if slot > lay.axis_slots:
            return no_fit(EXCEEDED)
        index = lay.before[row + slot]
        if index >= total or index + work > total:
            return no_fit(EXCEEDED)
        start = lay.slot_of[first + index]
        finish = lay.slot_of[first + index + work - 1] + 1 if work else start
        # Most work is over sooner than a long pause would be, and need not be looked up.
        if lay.mode_pauses[m] and finish - start > lay.longest_pause_slots:
            unbroken = _unbroken_from(lay, lay.mode_calendar[m], index, work)
            if unbroken < 0:
                return no_fit(EXCEEDED)
            if unbroken > index:
                index = unbroken
                start = lay.slot_of[first + index]
                finish = lay.slot_of[first + index + work - 1] + 1
                blocker, holder, freed = PAUSE, NONE, start
        if window_set != NONE:
            opens = _window_opens(lay, window_set, start, finish)
            if opens == NONE:
                return no_fit(NO_WINDOW)
            if opens > start:
                slot = opens
                blocker, holder, freed = WINDOW, NONE, opens
                continue
        moved = False
        for u in range(lay.use_first[m], lay.use_first[m + 1]):
            r = lay.use_resource[u]
            base = lay.base[r] * (lay.axis_slots + 1)
            begin, end = lay.before[base + start], lay.before[base + finish]
            free_units = lay.capacity[r] - lay.use_units[u] if lay.use_units[u] > 1 else -1
            taken = first_taken(st, r, free_units, begin, end)
            if taken < end:
                slots = lay.total[lay.base[r]]
                room = first_room(st, r, free_units, taken + 1, slots, work)
                base_first = lay.slot_first[lay.base[r]]
                freed = lay.slot_of[base_first + room - 1] + 1
                slot = lay.slot_of[base_first + room] if room < slots else lay.axis_slots
                blocker, holder = r, st.holder[st.first_slot[r] + room - 1]
                moved = True
                break
        if not moved:
            return fit_of(m, start, finish, blocker, holder, freed)


@kernel
def last_fit(
    lay: Layout, st: State, m: int, window_set: int, after: int, latest: int
) -> tuple[bool, int, int]:
    """Return whether there is a free stretch that starts after `after` and ends by `latest`.

    And start and finish of the last one. The mode must have work to do.
    """
    row, first = lay.mode_calendar[m] * (lay.axis_slots + 1), lay.slot_first[lay.mode_calendar[m]]
    work = lay.mode_work[m]
    while True:
        index = lay.before[row + latest] - work
        if lay.mode_pauses[m]:
            index = _unbroken_until(lay, lay.mode_calendar[m], index, work)
        if index < 0:
            return False, 0, 0
        start = lay.slot_of[first + index]
        if start <= after:
            return False, 0, 0
        finish = lay.slot_of[first + index + work - 1] + 1
        if window_set != NONE:
            closes = _window_closes(lay, window_set, start, finish)
            if closes == NONE:
                return False, 0, 0
            if closes < finish:
                latest = closes
                continue
        moved = False
        for u in range(lay.use_first[m], lay.use_first[m + 1]):
            r = lay.use_resource[u]
            base = lay.base[r] * (lay.axis_slots + 1)
            begin, end = lay.before[base + start], lay.before[base + finish]
            free_units = lay.capacity[r] - lay.use_units[u] if lay.use_units[u] > 1 else -1
            taken = first_taken(st, r, free_units, begin, end)
            if taken < end:
                low = lay.before[base + after]
                room = last_room(st, r, free_units, low, taken, work)
                if room <= low:
                    return False, 0, 0
                latest = lay.slot_of[lay.slot_first[lay.base[r]] + room - 1] + 1
                moved = True
                break
        if not moved:
            return True, start, finish


@kernel
def may_finish_by(lay: Layout, m: int, earliest: int, latest: int) -> bool:
    """Return whether the calendar alone lets the mode finish by `latest`."""
    if earliest > lay.axis_slots:
        return True
    row = lay.mode_calendar[m]
    index = lay.before[row * (lay.axis_slots + 1) + earliest] + lay.mode_work[m] - 1
    if index < 0 or index >= lay.total[row]:
        return True
    return lay.slot_of[lay.slot_first[row] + index] < latest


@kernel
def _unbroken_from(lay: Layout, row: int, index: int, work: int) -> int:
    """Return the first working slot from that of `index` on where no long pause breaks the work.

    It is `index` itself where no stretch from there on is long enough, and -1 where the axis is
    too short to tell.
    """
    first, last = lay.pause_first[row], lay.pause_first[row + 1]
    opens = index
    for k in range(first, last + 1):
        closes = lay.pause[k] if k < last else lay.total[row]
        if closes <= index:
            continue
        if closes - opens >= work:
            return opens
        opens = closes
    if index < lay.cut_off[row] < index + work:
        return -1
    return index


@kernel
def _unbroken_until(lay: Layout, row: int, index: int, work: int) -> int:
    """Return the last working slot up to that of `index` where no long pause breaks the work.

    It is -1 where there is none, and `index` itself where no stretch at all is long enough.
    """
    first, last = lay.pause_first[row], lay.pause_first[row + 1]
    found = -1
    holds = False
    opens = 0
    for k in range(first, last + 1):
        closes = lay.pause[k] if k < last else lay.total[row]
        if closes - opens >= work:
            holds = True
            if opens <= index:
                found = min(index, closes - work)
        opens = closes
    return found if holds else index


@kernel
def _window_opens(lay: Layout, window_set: int, start: int, finish: int) -> int:
    """Return when the first window opens that closes late enough, at `start` at the earliest."""
    low, high = lay.window_first[window_set], lay.window_first[window_set + 1]
    end = high
    needed = max(finish, start + 1)
    while low < high:
        middle = (low + high) // 2
        if lay.window_closes[middle] < needed:
            low = middle + 1
        else:
            high = middle
    return NONE if low == end else max(lay.window_opens[low], start)


@kernel
def _window_closes(lay: Layout, window_set: int, start: int, finish: int) -> int:
    """Return when the last window closes that is open at `start`, at `finish` at the latest."""
    low, high = lay.window_first[window_set], lay.window_first[window_set + 1]
    begin = low
    while low < high:
        middle = (low + high) // 2
        if lay.window_opens[middle] <= start:
            low = middle + 1
        else:
            high = middle
    return NONE if low == begin else min(lay.window_closes[low - 1], finish)
