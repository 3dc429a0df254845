"""
One run of a plan's policy: every crew takes, of what is ready, the work planned first.

A crew keeps the work that the plan gave it. When it is free and its work could begin, it takes
the activity of the earliest planned start whose leaders are done, whose machines are free, and
whose weather lets it; other work of its own goes first where the next is held up, but never
earlier than the course allows. Work that has begun goes on to its end.
"""

from dataclasses import dataclass

import numpy as np

from contractor.engine.compiled import Flags, Ints, Longs, PointerTable, Words, by_pointer, kernel
from contractor.engine.prepared import NONE, Layout
from contractor.engine.simulate.chances import SLOTS_PER_TEMPERATURE
from contractor.engine.simulate.course import Course
from contractor.engine.simulate.draw import Drawn

__all__ = ["Run", "new_run", "run_through"]

_ITEM_BITS = 24
_ITEM_MASK = (1 << _ITEM_BITS) - 1
_ONE = np.uint64(1)
_SIXTY_FOUR = 64


@by_pointer
@dataclass(frozen=True, eq=False)
class Run(PointerTable):
    """
    One run in the making. `start` and `finish` by activity, NONE where it has none on the axis.

    `left` counts leaders not yet known, `ready` is the slot to which the others hold it. `waiting`
    has a bit for each activity that a crew could begin. `busy` counts units by resource; `asks`
    says that there is something new for a crew, `looks_at` when it looks up of itself. `heap`
    holds events as slot and item in one number, `heap_size[0]` of them.
    """

    start: Ints
    finish: Ints
    left: Ints
    ready: Ints
    waiting: Words
    busy: Ints
    asks: Flags
    looks_at: Ints
    heap: Longs
    heap_size: Ints


def new_run(course: Course) -> Run:
    """Return the arrays of one run."""
    if 2 * course.size > _ITEM_MASK:
        raise ValueError(f"{course.size} activities are more than a run can tell apart")
    return Run(
        start=np.empty(course.size, dtype=np.int32),
        finish=np.empty(course.size, dtype=np.int32),
        left=np.empty(course.size, dtype=np.int32),
        ready=np.empty(course.size, dtype=np.int32),
        waiting=np.empty(max(int(course.word_first[-1]), 1), dtype=np.uint64),
        busy=np.empty(max(course.resources, 1), dtype=np.int32),
        asks=np.empty(max(course.resources, 1), dtype=np.uint8),
        looks_at=np.empty(max(course.resources, 1), dtype=np.int32),
        # Of one activity there is at most one event to come: it gets ready, or it ends.
        heap=np.empty(course.size + 1, dtype=np.int64),
        heap_size=np.zeros(1, dtype=np.int32),
    )


@kernel
def run_through(lay: Layout, course: Course, drawn: Drawn, run: Run) -> None:
    """Let one run happen."""
    _reset(course, run)
    for i in range(course.size):
        if course.has_place[i] and run.left[i] == 0:
            _push(run, max(drawn.released[i], course.now), i)
    while True:
        now = _next_event(course, run)
        if now >= course.axis_slots:
            return
        for r in range(course.resources):
            if run.looks_at[r] == now:
                run.looks_at[r] = course.axis_slots
                run.asks[r] = 1
        while run.heap_size[0] > 0 and run.heap[0] >> _ITEM_BITS == now:
            _happen(lay, course, drawn, run, now, _pop(run) & _ITEM_MASK)
        _dispatch(lay, course, drawn, run, now)


@kernel
def _next_event(course: Course, run: Run) -> int:
    """Return the slot of the next event, or the end of the axis."""
    slot = course.axis_slots
    if run.heap_size[0] > 0:
        slot = min(slot, run.heap[0] >> _ITEM_BITS)
    for r in range(course.resources):
        slot = min(slot, run.looks_at[r])
    return slot


@kernel
def _reset(course: Course, run: Run) -> None:
    run.start[:] = NONE
    run.finish[:] = NONE
    run.left[:] = course.leaders
    run.ready[:] = 0
    run.waiting[:] = 0
    run.busy[:] = 0
    run.asks[:] = 0
    run.looks_at[:] = course.axis_slots
    run.heap_size[0] = 0


@kernel
def _happen(lay: Layout, course: Course, drawn: Drawn, run: Run, now: int, item: int) -> None:
    """Take note that an activity is ready, or that one has ended."""
    if item >= course.size:
        i = item - course.size
        for k in range(course.use_first[i], course.use_first[i + 1]):
            run.busy[course.use_resource[k]] -= course.use_units[k]
            run.asks[course.use_resource[k]] = 1
        if course.use_first[i + 1] - course.use_first[i] > 1:
            # A machine is free: whoever waits may want it.
            run.asks[:] = 1
        return
    crew = course.crew[item]
    if crew == NONE:
        _begin(lay, course, drawn, run, item, now)
        return
    turn = course.turn_of[item]
    word = course.word_first[crew] + turn // _SIXTY_FOUR
    run.waiting[word] |= _ONE << np.uint64(turn % _SIXTY_FOUR)
    run.asks[crew] = 1


@kernel
def _dispatch(lay: Layout, course: Course, drawn: Drawn, run: Run, now: int) -> None:
    """Begin all that can begin now, the earliest planned first."""
    while True:
        best = NONE
        for r in range(course.resources):
            if run.asks[r]:
                i = _choice(lay, course, drawn, run, r, now)
                if i == NONE:
                    run.asks[r] = 0
                elif best == NONE or course.rank[i] < course.rank[best]:
                    best = i
        if best == NONE:
            return
        _begin(lay, course, drawn, run, best, now)


@kernel
def _choice(lay: Layout, course: Course, drawn: Drawn, run: Run, crew: int, now: int) -> int:
    """Return what a crew takes up now, or NONE; then it looks up when its hours let it."""
    if run.busy[crew] >= course.capacity[crew]:
        return NONE
    for word in range(course.word_first[crew], course.word_first[crew + 1]):
        bits = run.waiting[word]
        while bits:
            turn = (word - course.word_first[crew]) * _SIXTY_FOUR + _lowest(bits)
            bits &= bits - _ONE
            i = course.turn[course.turn_first[crew] + turn]
            if not _machines_free(course, run, i):
                continue
            opens = _next_working(lay, course.calendar[i], now)
            if opens > now:
                # It is this crew's next work, as soon as its day begins.
                run.looks_at[crew] = min(run.looks_at[crew], opens)
                return NONE
            if not _is_lost(course, drawn, i, now):
                return i
            following = min(course.day_first[course.day_of[now] + 1], course.axis_slots)
            run.looks_at[crew] = min(run.looks_at[crew], following)
    return NONE


@kernel
def _opens_at(lay: Layout, course: Course, drawn: Drawn, i: int, now: int) -> int:
    """Return the first slot from `now` on that is worked and not lost, or the end of the axis."""
    slot = _next_working(lay, course.calendar[i], now)
    while slot < course.axis_slots and _is_lost(course, drawn, i, slot):
        following = course.day_first[course.day_of[slot] + 1]
        slot = _next_working(lay, course.calendar[i], min(following, course.axis_slots))
    return slot


@kernel
def _is_lost(course: Course, drawn: Drawn, i: int, slot: int) -> bool:
    gate = course.gate[i]
    if gate == NONE or slot >= course.axis_slots:
        return False
    row = (course.area[i] * course.gates + gate) * course.days
    return drawn.lost[row + course.day_of[slot]] != 0


@kernel
def _machines_free(course: Course, run: Run, i: int) -> bool:
    for k in range(course.use_first[i] + 1, course.use_first[i + 1]):
        r = course.use_resource[k]
        if run.busy[r] + course.use_units[k] > course.capacity[r]:
            return False
    return True


@kernel
def _begin(lay: Layout, course: Course, drawn: Drawn, run: Run, i: int, now: int) -> None:
    """Begin an activity, or put it off to when a window or a machine lets it."""
    crew = course.crew[i]
    if crew != NONE:
        turn = course.turn_of[i]
        run.waiting[course.word_first[crew] + turn // _SIXTY_FOUR] &= ~(
            _ONE << np.uint64(turn % _SIXTY_FOUR)
        )
    start = _opens_at(lay, course, drawn, i, now)
    finish = _finish(lay, course, drawn, i, start) if start < course.axis_slots else NONE
    if finish == NONE:
        return
    put_off = _put_off(course, i, start, finish)
    if put_off != NONE:
        if put_off < course.axis_slots:
            _push(run, put_off, i)
        return
    run.start[i] = start
    for k in range(course.use_first[i], course.use_first[i + 1]):
        run.busy[course.use_resource[k]] += course.use_units[k]
    if crew != NONE:
        _push(run, finish, course.size + i)
    finish = _repeated(lay, course, drawn, i, finish)
    if finish == NONE:
        return
    run.finish[i] = finish
    for k in range(course.link_first[i], course.link_first[i + 1]):
        _free(lay, course, drawn, run, k, start if course.link_start_to_start[k] else finish, now)


@kernel
def _put_off(course: Course, i: int, start: int, finish: int) -> int:
    """Return when to try again, or NONE where the dates fit all windows and machines."""
    first, last = course.window_first[i], course.window_first[i + 1]
    if last > first:
        fits = False
        following = course.axis_slots
        for k in range(first, last):
            if course.window_opens[k] <= start and finish <= course.window_closes[k]:
                fits = True
            elif course.window_opens[k] > start:
                following = min(following, course.window_opens[k])
        if not fits:
            return following
    for k in range(course.use_first[i], course.use_first[i + 1]):
        r = course.use_resource[k]
        for b in range(course.blocked_first[r], course.blocked_first[r + 1]):
            if start < course.blocked_ends[b] and finish > course.blocked_begins[b]:
                return course.blocked_ends[b]
    return NONE


@kernel
def _free(
    lay: Layout, course: Course, drawn: Drawn, run: Run, k: int, slot: int, now: int
) -> None:
    """Let link `k` tell its follower from when on it may begin."""
    after = course.link_after[k]
    wait = course.link_wait[k]
    if wait != NONE:
        if course.variant_first[wait] != NONE:
            wait = course.variant_first[wait] + drawn.warmth[slot // SLOTS_PER_TEMPERATURE]
        slot = course.variant_table[wait * (course.axis_slots + 1) + slot]
    run.ready[after] = max(run.ready[after], slot)
    run.left[after] -= 1
    if run.left[after] == 0 and course.has_place[after]:
        ready = max(run.ready[after], drawn.released[after], now)
        if ready < course.axis_slots:
            _push(run, ready, after)


@kernel
def _repeated(lay: Layout, course: Course, drawn: Drawn, i: int, finish: int) -> int:
    """Return when a visit is passed in the end, or NONE beyond the axis."""
    for k in range(drawn.repeats[i]):
        asked = finish
        if drawn.reworks[i] >> k & 1:
            asked += course.rework_slots[i]
        if asked > course.axis_slots:
            return NONE
        again = course.variant_table[course.again_wait[i] * (course.axis_slots + 1) + asked]
        if again >= course.axis_slots:
            return NONE
        start = _opens_at(lay, course, drawn, i, again)
        finish = _finish(lay, course, drawn, i, start) if start < course.axis_slots else NONE
        if finish == NONE:
            return NONE
    return finish


@kernel
def _finish(lay: Layout, course: Course, drawn: Drawn, i: int, start: int) -> int:
    """Return the exclusive end of an activity begun at a working slot, or NONE off the axis."""
    calendar = course.calendar[i]
    left = drawn.work[i]
    crew = course.crew[i]
    varies = course.gate[i] != NONE or (crew != NONE and course.short_chance[crew] > 0)
    if not varies or left == 0:
        return _worked_by(lay, calendar, start, left)
    slot = start
    while slot < course.axis_slots:
        day = course.day_of[slot]
        following = min(course.day_first[day + 1], course.axis_slots)
        if not _is_lost(course, drawn, i, slot):
            share = 1.0
            if crew != NONE and drawn.short[crew * course.days + day]:
                share = course.short_share[crew]
            here = int(_work_between(lay, calendar, slot, following) * share)
            if left <= here:
                return _worked_by(lay, calendar, slot, int(np.ceil(left / share)))
            left -= here
        slot = following
    return NONE


@kernel
def _next_working(lay: Layout, calendar: int, slot: int) -> int:
    index = lay.before[calendar * (lay.axis_slots + 1) + slot]
    if index >= lay.total[calendar]:
        return lay.axis_slots
    return lay.slot_of[lay.slot_first[calendar] + index]


@kernel
def _worked_by(lay: Layout, calendar: int, slot: int, work: int) -> int:
    if work == 0:
        return slot
    last = lay.before[calendar * (lay.axis_slots + 1) + slot] + work - 1
    if last >= lay.total[calendar]:
        return NONE
    return lay.slot_of[lay.slot_first[calendar] + last] + 1


@kernel
def _work_between(lay: Layout, calendar: int, a: int, b: int) -> int:
    row = calendar * (lay.axis_slots + 1)
    return lay.before[row + b] - lay.before[row + a]


@kernel
def _lowest(bits: np.uint64) -> int:
    """Return the place of the lowest bit that is set."""
    place = 0
    rest = bits
    for step in (32, 16, 8, 4, 2, 1):
        if rest & ((_ONE << np.uint64(step)) - _ONE) == 0:
            rest >>= np.uint64(step)
            place += step
    return place


@kernel
def _push(run: Run, slot: int, item: int) -> None:
    """Put an event into the heap."""
    place = run.heap_size[0]
    run.heap_size[0] += 1
    event = (np.int64(slot) << _ITEM_BITS) | item
    while place > 0 and run.heap[(place - 1) // 2] > event:
        run.heap[place] = run.heap[(place - 1) // 2]
        place = (place - 1) // 2
    run.heap[place] = event


@kernel
def _pop(run: Run) -> int:
    """Take the first event out of the heap."""
    first = run.heap[0]
    run.heap_size[0] -= 1
    size = run.heap_size[0]
    event = run.heap[size]
    place = 0
    while 2 * place + 1 < size:
        child = 2 * place + 1
        if child + 1 < size and run.heap[child + 1] < run.heap[child]:
            child += 1
        if run.heap[child] >= event:
            break
        run.heap[place] = run.heap[child]
        place = child
    run.heap[place] = event
    return first
