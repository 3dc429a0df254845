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
from contractor.engine.layout import NONE
from contractor.engine.occupancy import next_set
from contractor.engine.simulate.course import SLOTS_PER_TEMPERATURE, Course
from contractor.engine.simulate.draw import Drawn
from contractor.engine.simulate.working import (
    INDEX,
    day_of,
    finish_of,
    next_working,
    opens_at,
)

__all__ = ["Run", "new_run", "run_through"]

_ONE = np.uint64(1)
_SIXTY_FOUR = 64


@by_pointer
@dataclass(frozen=True, eq=False)
class Run(PointerTable):
    """
    One run in the making. `start` and `finish` by activity, NONE where it has none on the axis.

    `left` counts leaders not yet known, `ready` is the slot to which the others hold it. `waiting`
    has a bit for each activity that a crew could begin, `waits` how many there are. `busy` counts
    units by resource. `asks` has a bit for each crew for which there is something new; `looks_at`
    is when it looks up of itself, `next_look[0]` the first of these. `choices` is a heap of the
    activities that crews would begin now, `choices_size[0]` of them.

    Of one activity there is at most one event to come: it gets ready or, where `works` is set, it
    ends. Those of a slot hang from `first_of_slot[slot]` by `following`; `eventful` has a bit for
    each slot that has any. `ended[0]` counts what has ended, the last of it at `ended[1]`.
    """

    start: Ints
    finish: Ints
    left: Ints
    ready: Ints
    waiting: Words
    waits: Ints
    busy: Ints
    asks: Words
    looks_at: Ints
    next_look: Ints
    choices: Longs
    choices_size: Ints
    works: Flags
    first_of_slot: Ints
    following: Ints
    eventful: Words
    ended: Ints


def new_run(course: Course) -> Run:
    """Return the arrays of one run."""
    return Run(
        start=np.empty(course.size, dtype=np.int32),
        finish=np.empty(course.size, dtype=np.int32),
        left=np.empty(course.size, dtype=np.int32),
        ready=np.empty(course.size, dtype=np.int32),
        waiting=np.empty(max(int(course.word_first[-1]), 1), dtype=np.uint64),
        waits=np.empty(max(course.resources, 1), dtype=np.int32),
        busy=np.empty(max(course.resources, 1), dtype=np.int32),
        asks=np.empty(course.resources // _SIXTY_FOUR + 1, dtype=np.uint64),
        looks_at=np.empty(max(course.resources, 1), dtype=np.int32),
        next_look=np.zeros(1, dtype=np.int32),
        choices=np.empty(course.resources + 1, dtype=np.int64),
        choices_size=np.zeros(1, dtype=np.int32),
        works=np.empty(course.size, dtype=np.uint8),
        first_of_slot=np.full(course.axis_slots + 1, NONE, dtype=np.int32),
        following=np.empty(course.size, dtype=np.int32),
        eventful=np.zeros(course.axis_slots // _SIXTY_FOUR + 1, dtype=np.uint64),
        ended=np.zeros(2, dtype=np.int32),
    )


@kernel
def run_through(course: Course, drawn: Drawn, run: Run) -> None:
    """Let one run happen."""
    _reset(course, run)
    for i in range(course.size):
        if course.has_place[i] and run.left[i] == 0:
            _comes(course, run, max(drawn.released[i], course.now), i)
    now = course.now
    while True:
        now = min(next_set(run.eventful, now, course.axis_slots), run.next_look[0]) & INDEX
        if now >= course.axis_slots:
            return
        if now == run.next_look[0]:
            _look_up(course, run, now)
        while run.first_of_slot[now] != NONE:
            i = run.first_of_slot[now] & INDEX
            run.first_of_slot[now] = run.following[i]
            _happen(course, drawn, run, now, i)
        _clear_bit(run.eventful, 0, now)
        _dispatch(course, drawn, run, now)


@kernel
def _reset(course: Course, run: Run) -> None:
    run.start[:] = NONE
    run.finish[:] = NONE
    run.left[:] = course.leaders
    run.ready[:] = 0
    run.waiting[:] = 0
    run.waits[:] = 0
    run.busy[:] = 0
    run.asks[:] = 0
    run.looks_at[:] = course.axis_slots
    run.next_look[0] = course.axis_slots
    run.choices_size[0] = 0
    run.works[:] = 0
    run.ended[:] = 0


@kernel
def _comes(course: Course, run: Run, slot: int, i: int) -> None:
    """Let something come at a slot; what lies beyond the axis never does."""
    if slot < course.axis_slots:
        slot &= INDEX
        run.following[i] = run.first_of_slot[slot]
        run.first_of_slot[slot] = i
        _set_bit(run.eventful, 0, slot)


@kernel
def _look_up(course: Course, run: Run, now: int) -> None:
    """Let the crews look up who wanted to at this moment."""
    following = course.axis_slots
    for r in range(course.resources):
        if run.looks_at[r] == now:
            run.looks_at[r] = course.axis_slots
            _ask(course, run, r)
        following = min(following, run.looks_at[r])
    run.next_look[0] = following


@kernel
def _looks_again(run: Run, crew: int, slot: int) -> None:
    run.looks_at[crew] = min(run.looks_at[crew], slot)
    run.next_look[0] = min(run.next_look[0], slot)


@kernel
def _happen(course: Course, drawn: Drawn, run: Run, now: int, i: int) -> None:
    """Take note that an activity is ready, or that one has ended."""
    crew = course.crew[i]
    if run.works[i]:
        first, last = course.use_first[i] & INDEX, course.use_first[i + 1]
        for k in range(first, last):
            run.busy[course.use_resource[k] & INDEX] -= course.use_units[k]
        _ask(course, run, crew & INDEX)
        for k in range(first + 1, last):
            # A machine is free: whoever waits may want it.
            r = course.use_resource[k] & INDEX
            for u in range(course.user_first[r] & INDEX, course.user_first[r + 1]):
                _ask(course, run, course.users[u] & INDEX)
    elif crew == NONE:
        _begin(course, drawn, run, i, opens_at(course, drawn, i, now), now)
    else:
        crew &= INDEX
        run.waits[crew] += 1
        _set_bit(run.waiting, course.word_first[crew], course.turn_of[i])
        _ask(course, run, crew)


@kernel
def _ask(course: Course, run: Run, crew: int) -> None:
    """Have a crew looked at that is free and has ready work; others have nothing to begin."""
    if run.waits[crew] > 0 and run.busy[crew] < course.capacity[crew]:
        _set_bit(run.asks, 0, crew)


@kernel
def _dispatch(course: Course, drawn: Drawn, run: Run, now: int) -> None:
    """Begin all that can begin now, the earliest planned first."""
    crew = next_set(run.asks, 0, course.resources) & INDEX
    while crew < course.resources:
        _clear_bit(run.asks, 0, crew)
        _choose(course, drawn, run, crew, now)
        crew = next_set(run.asks, crew + 1, course.resources) & INDEX
    while run.choices_size[0] > 0:
        i = _pop(run.choices, run.choices_size) & INDEX
        crew = course.crew[i] & INDEX
        # Another crew may have taken the machine since.
        if _machines_free(course, run, i):
            run.waits[crew] -= 1
            _clear_bit(run.waiting, course.word_first[crew], course.turn_of[i])
            _begin(course, drawn, run, i, now, now)
        if run.waits[crew] > 0 and run.busy[crew] < course.capacity[crew]:
            _choose(course, drawn, run, crew, now)


@kernel
def _choose(course: Course, drawn: Drawn, run: Run, crew: int, now: int) -> None:
    """Add what a free crew would begin now; if it is nothing, it looks up when its hours let it."""
    first = course.turn_first[crew]
    turns = course.turn_first[crew + 1] - first
    begins = course.word_first[crew] * _SIXTY_FOUR
    day = day_of(course, now)
    bit = next_set(run.waiting, begins, begins + turns)
    while bit < begins + turns:
        i = course.turn[(first + bit - begins) & INDEX] & INDEX
        if _machines_free(course, run, i):
            opens = next_working(course, i, now, day)
            if opens > now:
                # It is this crew's next work, as soon as its day begins.
                _looks_again(run, crew, opens)
                return
            row = course.lost_row[i]
            if row == NONE or drawn.lost[(row + day) & INDEX] == 0:
                _push(run.choices, run.choices_size, i)
                return
            _looks_again(run, crew, min(course.day_first[day + 1], course.axis_slots))
        bit = next_set(run.waiting, bit + 1, begins + turns)


@kernel
def _set_bit(words: Words, first_word: int, bit: int) -> None:
    words[(first_word + (bit >> 6)) & INDEX] |= _ONE << np.uint64(bit & 63)


@kernel
def _clear_bit(words: Words, first_word: int, bit: int) -> None:
    words[(first_word + (bit >> 6)) & INDEX] &= ~(_ONE << np.uint64(bit & 63))


@kernel
def _machines_free(course: Course, run: Run, i: int) -> bool:
    for k in range((course.use_first[i] & INDEX) + 1, course.use_first[i + 1]):
        r = course.use_resource[k] & INDEX
        if run.busy[r] + course.use_units[k] > course.capacity[r]:
            return False
    return True


@kernel
def _begin(course: Course, drawn: Drawn, run: Run, i: int, start: int, now: int) -> None:
    """Begin an activity, or put it off to when a window or a machine lets it."""
    finish = finish_of(course, drawn, i, start) if start < course.axis_slots else NONE
    if finish == NONE:
        return
    if course.may_be_put_off[i]:
        put_off = _put_off(course, i, start, finish)
        if put_off != NONE:
            _comes(course, run, put_off, i)
            return
    run.start[i] = start
    if course.crew[i] != NONE:
        for k in range(course.use_first[i] & INDEX, course.use_first[i + 1]):
            run.busy[course.use_resource[k] & INDEX] += course.use_units[k]
        run.works[i] = 1
        _comes(course, run, finish, i)
    if drawn.repeats[i]:
        finish = _repeated(course, drawn, i, finish)
        if finish == NONE:
            return
    run.finish[i] = finish
    run.ended[0] += 1
    run.ended[1] = max(run.ended[1], finish)
    for k in range(course.link_first[i] & INDEX, course.link_first[i + 1]):
        _free(course, drawn, run, k, start if course.link_start_to_start[k] else finish, now)


@kernel
def _put_off(course: Course, i: int, start: int, finish: int) -> int:
    """Return when to try again, or NONE where the dates fit all windows and machines."""
    windows = course.window_set[i]
    if windows != NONE:
        windows &= INDEX
        first, last = course.window_first[windows] & INDEX, course.window_first[windows + 1]
        # The first window that opens later; those before it are told by the last of their ends.
        low, high = first, last & INDEX
        while low < high:
            middle = (low + high) >> 1
            if course.window_opens[middle] > start:
                high = middle
            else:
                low = middle + 1
        if low == first or course.window_latest[low - 1] < finish:
            return course.window_opens[low] if low < last else course.axis_slots
    for k in range(course.use_first[i] & INDEX, course.use_first[i + 1]):
        r = course.use_resource[k] & INDEX
        for b in range(course.blocked_first[r] & INDEX, course.blocked_first[r + 1]):
            if start < course.blocked_ends[b] and finish > course.blocked_begins[b]:
                return course.blocked_ends[b]
    return NONE


@kernel
def _free(course: Course, drawn: Drawn, run: Run, k: int, slot: int, now: int) -> None:
    """Let link `k` tell its follower from when on it may begin."""
    after = course.link_after[k] & INDEX
    wait = course.link_wait[k]
    if wait != NONE:
        wait &= INDEX
        if course.variant_first[wait] != NONE:
            part = drawn.warmth[slot // SLOTS_PER_TEMPERATURE]
            wait = (course.variant_first[wait] + part) & INDEX
        slot = course.variant_table[wait * (course.axis_slots + 1) + slot]
    run.ready[after] = max(run.ready[after], slot)
    run.left[after] -= 1
    if run.left[after] == 0 and course.has_place[after]:
        _comes(course, run, max(run.ready[after], drawn.released[after], now), after)


@kernel
def _repeated(course: Course, drawn: Drawn, i: int, finish: int) -> int:
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
        start = opens_at(course, drawn, i, again)
        finish = finish_of(course, drawn, i, start) if start < course.axis_slots else NONE
        if finish == NONE:
            return NONE
    return finish


@kernel
def _push(heap: Longs, size: Ints, value: int) -> None:
    """Put a value into a heap."""
    place = size[0]
    size[0] += 1
    while place > 0 and heap[(place - 1) // 2] > value:
        heap[place] = heap[(place - 1) // 2]
        place = (place - 1) // 2
    heap[place] = value


@kernel
def _pop(heap: Longs, size: Ints) -> int:
    """Take the least value out of a heap."""
    least = heap[0]
    size[0] -= 1
    last = size[0]
    value = heap[last]
    place = 0
    while 2 * place + 1 < last:
        child = 2 * place + 1
        if child + 1 < last and heap[child + 1] < heap[child]:
            child += 1
        if heap[child] >= value:
            break
        heap[place] = heap[child]
        place = child
    heap[place] = value
    return least
