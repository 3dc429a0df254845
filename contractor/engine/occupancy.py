"""What occupies each resource: one bit for each slot that any of its work could use.

The slots that count for a resource are those of its base calendar (all calendars of the modes that
use it, and its blocked stretches), so a stretch of work is one run of bits whatever nights and
weekends lie in it, and a busy year is a few dozen words to look through. A resource of several
units also counts the units taken in each slot; its bit says that none is left.
"""

import numpy as np

from contractor.engine.compiled import Words, kernel
from contractor.engine.prepared import NONE, Layout
from contractor.engine.state import UNPLANNED, State

FREE = -1
"""The holder of a slot that nobody has; BLOCKED that of one in which nobody may work."""
BLOCKED = -2

_WORD = 64
_ONE = np.uint64(1)
_ALL = np.uint64(0xFFFF_FFFF_FFFF_FFFF)
_ZERO = np.uint64(0)

_DE_BRUIJN = np.uint64(0x03F7_9D71_B4CB_0A89)
_BIT_OF = np.zeros(64, dtype=np.int64)
for _bit in range(64):
    _BIT_OF[(((1 << _bit) * int(_DE_BRUIJN)) & int(_ALL)) >> 58] = _bit


@kernel
def _lowest(word: np.uint64) -> int:
    isolated = word & (~word + _ONE)
    return _BIT_OF[(isolated * _DE_BRUIJN) >> np.uint64(58)]


@kernel
def _highest(word: np.uint64) -> int:
    bit = 0
    step = 32
    while step:
        if word >> np.uint64(bit + step):
            bit += step
        step >>= 1
    return bit


@kernel
def next_set(words: Words, begin: int, end: int) -> int:
    """Return the first taken slot from `begin` to before `end`, or `end`."""
    if begin >= end:
        return end
    w = begin // _WORD
    word = words[w] & (_ALL << np.uint64(begin % _WORD))
    last = (end - 1) // _WORD
    while word == _ZERO:
        w += 1
        if w > last:
            return end
        word = words[w]
    return min(w * _WORD + _lowest(word), end)


@kernel
def next_clear(words: Words, begin: int, end: int) -> int:
    """Return the first free slot from `begin` to before `end`, or `end`."""
    if begin >= end:
        return end
    w = begin // _WORD
    word = ~words[w] & (_ALL << np.uint64(begin % _WORD))
    last = (end - 1) // _WORD
    while word == _ZERO:
        w += 1
        if w > last:
            return end
        word = ~words[w]
    return min(w * _WORD + _lowest(word), end)


@kernel
def last_set(words: Words, begin: int, end: int) -> int:
    """Return the last taken slot from `begin` to before `end`, or `begin - 1`."""
    if begin >= end:
        return begin - 1
    w = (end - 1) // _WORD
    word = words[w] & (_ALL >> np.uint64(_WORD - 1 - (end - 1) % _WORD))
    first = begin // _WORD
    while word == _ZERO:
        w -= 1
        if w < first:
            return begin - 1
        word = words[w]
    return max(w * _WORD + _highest(word), begin - 1)


@kernel
def last_clear(words: Words, begin: int, end: int) -> int:
    """Return the last free slot from `begin` to before `end`, or `begin - 1`."""
    if begin >= end:
        return begin - 1
    w = (end - 1) // _WORD
    word = ~words[w] & (_ALL >> np.uint64(_WORD - 1 - (end - 1) % _WORD))
    first = begin // _WORD
    while word == _ZERO:
        w -= 1
        if w < first:
            return begin - 1
        word = ~words[w]
    return max(w * _WORD + _highest(word), begin - 1)


@kernel
def first_taken(st: State, resource: int, free_units: int, begin: int, end: int) -> int:
    """Return the first slot from `begin` to before `end` with more than `free_units` taken.

    Slots are counted from the resource's own first one; `end` where there is none. A resource of
    one unit, or one asked for a single unit, has `free_units` of -1: its bits say it.
    """
    row = st.first_slot[resource]
    if free_units < 0:
        return next_set(st.words, row + begin, row + end) - row
    for slot in range(row + begin, row + end):
        if st.load[slot] > free_units:
            return slot - row
    return end


@kernel
def first_room(st: State, resource: int, free_units: int, begin: int, end: int, work: int) -> int:
    """Return where the first free run of `work` slots or up to `end` begins, from `begin` on."""
    row = st.first_slot[resource]
    if free_units < 0:
        words = st.words
        slot = row + begin
        while True:
            slot = next_clear(words, slot, row + end)
            if slot >= row + end:
                return end
            taken = next_set(words, slot, min(slot + work, row + end))
            if taken >= min(slot + work, row + end):
                return slot - row
            slot = taken
    run = begin
    for slot in range(begin, end):
        if st.load[row + slot] > free_units:
            run = slot + 1
        elif slot + 1 - run >= work:
            return run
    return run


@kernel
def last_room(st: State, resource: int, free_units: int, begin: int, end: int, work: int) -> int:
    """Return where the last free run of `work` slots that ends by `end` does end.

    It is `begin` or less where there is none behind `begin`.
    """
    row = st.first_slot[resource]
    if free_units < 0:
        words = st.words
        slot = row + end
        while True:
            free = last_clear(words, row + begin, slot)
            if free < row + begin:
                return begin
            low = max(free + 1 - work, row + begin)
            taken = last_set(words, low, free + 1)
            if taken < low:
                return free + 1 - row
            slot = taken
    run = end
    for slot in range(end - 1, begin - 1, -1):
        if st.load[row + slot] > free_units:
            run = slot
        elif run - slot >= work:
            return run
    return begin


@kernel
def take(
    st: State, resource: int, capacity: int, units: int, begin: int, end: int, who: int
) -> None:
    """Record that `who` has `units` of the resource from slot `begin` to before `end`."""
    row = st.first_slot[resource]
    if capacity == 1:
        _fill(st.words, row + begin, row + end)
        for slot in range(row + begin, row + end):
            st.holder[slot] = who
        return
    for slot in range(row + begin, row + end):
        st.load[slot] += units
        if st.load[slot] >= capacity:
            st.words[slot // _WORD] |= _ONE << np.uint64(slot % _WORD)


@kernel
def give_back(st: State, resource: int, capacity: int, units: int, begin: int, end: int) -> None:
    """Take back what was recorded for exactly this stretch."""
    row = st.first_slot[resource]
    if capacity == 1:
        _clear(st.words, row + begin, row + end)
        for slot in range(row + begin, row + end):
            st.holder[slot] = FREE
        return
    for slot in range(row + begin, row + end):
        st.load[slot] -= units
        if st.load[slot] < capacity:
            st.words[slot // _WORD] &= ~(_ONE << np.uint64(slot % _WORD))


@kernel
def _fill(words: Words, begin: int, end: int) -> None:
    if begin >= end:
        return
    w, last = begin // _WORD, (end - 1) // _WORD
    head = _ALL << np.uint64(begin % _WORD)
    tail = _ALL >> np.uint64(_WORD - 1 - (end - 1) % _WORD)
    if w == last:
        words[w] |= head & tail
        return
    words[w] |= head
    for k in range(w + 1, last):
        words[k] = _ALL
    words[last] |= tail


@kernel
def _clear(words: Words, begin: int, end: int) -> None:
    if begin >= end:
        return
    w, last = begin // _WORD, (end - 1) // _WORD
    head = _ALL << np.uint64(begin % _WORD)
    tail = _ALL >> np.uint64(_WORD - 1 - (end - 1) % _WORD)
    if w == last:
        words[w] &= ~(head & tail)
        return
    words[w] &= ~head
    for k in range(w + 1, last):
        words[k] = _ZERO
    words[last] &= ~tail


def new_state(layout: Layout) -> State:
    """Return a state in which nothing is planned; the machines' blocked stretches are taken."""
    size, jobs, resources = layout.size, layout.jobs, layout.resources
    widths = layout.total[layout.base] if resources else np.zeros(0, dtype=np.int32)
    # Whole words for each resource, so that no two share one; the last word is spare.
    rows = (widths.astype(np.int64) + 63) // 64 * 64
    first = np.zeros(resources + 1, dtype=np.int64)
    np.cumsum(rows, out=first[1:])
    slots = int(first[-1]) + 64
    crews = np.unique(layout.mode_crew).size + 1
    state = State(
        mode=np.empty(size, dtype=np.int32),
        crew=np.empty(size, dtype=np.int32),
        start=np.empty(size, dtype=np.int32),
        finish=np.empty(size, dtype=np.int32),
        blocker_resource=np.empty(size, dtype=np.int32),
        blocker_holder=np.empty(size, dtype=np.int32),
        blocker_slot=np.empty(size, dtype=np.int32),
        held_for=np.empty(size, dtype=np.int32),
        held_by=np.empty(size, dtype=np.int32),
        pin_broken=np.empty(size, dtype=np.uint8),
        begins_by_job=np.zeros(jobs, dtype=np.int32),
        not_before=np.zeros(size, dtype=np.int32),
        crew_choice=np.full(size, NONE, dtype=np.int32),
        mode_choice=np.full(size, NONE, dtype=np.int32),
        crew_width=crews,
        job_crews=np.empty(jobs * crews, dtype=np.int32),
        job_crew_count=np.empty(jobs, dtype=np.int32),
        last_on_crew=np.empty(resources, dtype=np.int32),
        left_of_job=np.empty(jobs, dtype=np.int32),
        first_slot=first,
        words=np.zeros(slots // 64, dtype=np.uint64),
        holder=np.full(slots, FREE, dtype=np.int32),
        load=np.zeros(slots, dtype=np.int32),
    )
    clear(layout, state)
    return state


@kernel
def _blank(st: State, i: int) -> None:
    """Write down that the activity has no place."""
    st.mode[i] = UNPLANNED
    st.crew[i] = NONE
    st.start[i] = 0
    st.finish[i] = 0
    st.blocker_resource[i] = NONE
    st.blocker_holder[i] = NONE
    st.blocker_slot[i] = NONE
    st.held_for[i] = NONE
    st.held_by[i] = NONE
    st.pin_broken[i] = 0


@kernel
def clear(lay: Layout, st: State) -> None:
    """Plan nothing; begins and choices stay."""
    for i in range(lay.size):
        _blank(st, i)
    for job in range(lay.jobs):
        st.left_of_job[job] = lay.member_first[job + 1] - lay.member_first[job]
        st.job_crew_count[job] = 0
        if lay.preferred_crew[job] != NONE:
            st.job_crews[job * st.crew_width] = lay.preferred_crew[job]
            st.job_crew_count[job] = 1
    st.last_on_crew[:] = NONE
    _empty(lay, st)
    for resource in range(lay.resources):
        capacity = lay.capacity[resource]
        row = lay.base[resource] * (lay.axis_slots + 1)
        for k in range(lay.blocked_first[resource], lay.blocked_first[resource + 1]):
            begin = lay.before[row + min(lay.blocked_begins[k], lay.axis_slots)]
            end = lay.before[row + min(lay.blocked_ends[k], lay.axis_slots)]
            take(st, resource, capacity, capacity, begin, end, BLOCKED)


@kernel
def _empty(lay: Layout, st: State) -> None:
    """Give back all that is taken. Most of a long axis is free, and costs little to pass over."""
    for resource in range(lay.resources):
        first, end = st.first_slot[resource], st.first_slot[resource + 1]
        if lay.capacity[resource] > 1:
            st.load[first:end] = 0
        for w in range(first // _WORD, end // _WORD):
            if st.words[w] == _ZERO:
                continue
            st.words[w] = _ZERO
            if lay.capacity[resource] == 1:
                st.holder[w * _WORD : (w + 1) * _WORD] = FREE


@kernel
def occupy(lay: Layout, st: State, i: int) -> None:
    """Take what the activity needs, at the dates and in the mode that it has."""
    m = lay.mode_first[i] + st.mode[i]
    for u in range(lay.use_first[m], lay.use_first[m + 1]):
        r = lay.use_resource[u]
        row = lay.base[r] * (lay.axis_slots + 1)
        begin, end = lay.before[row + st.start[i]], lay.before[row + st.finish[i]]
        take(st, r, lay.capacity[r], lay.use_units[u], begin, end, i)


@kernel
def vacate(lay: Layout, st: State, i: int) -> None:
    """Give back what `occupy` took."""
    m = lay.mode_first[i] + st.mode[i]
    for u in range(lay.use_first[m], lay.use_first[m + 1]):
        r = lay.use_resource[u]
        row = lay.base[r] * (lay.axis_slots + 1)
        begin, end = lay.before[row + st.start[i]], lay.before[row + st.finish[i]]
        give_back(st, r, lay.capacity[r], lay.use_units[u], begin, end)


@kernel
def forget(lay: Layout, st: State, i: int) -> None:
    """Take the activity out of the plan, as if it had never been placed."""
    if st.mode[i] != UNPLANNED:
        vacate(lay, st, i)
    _blank(st, i)
