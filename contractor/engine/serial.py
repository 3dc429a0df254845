"""Serial schedule generation: activities one by one, each into the first gap that holds it.

This is the inner loop of every search, so it is compiled and records only what the explanation
cannot work out afterwards. `decode` turns its result into a `Schedule`.
"""

from heapq import heapify, heappop, heappush

import numpy as np

from contractor.engine.compiled import Ints, kernel
from contractor.engine.occupancy import clear
from contractor.engine.placing import BEYOND, Pass, earliest_start, place
from contractor.engine.prepared import LEADS_TO_FIXED, NONE, OPEN, UNDER_WAY, Layout
from contractor.engine.pricing import is_late, price_of_job
from contractor.engine.staffing import staff
from contractor.engine.state import State
from contractor.engine.tighten import tighten

_SLOT_BITS, _POSITION_BITS = 29, 31
_POSITIONS = (1 << _POSITION_BITS) - 1

DONE, TOO_LONG, TOO_DEAR = 0, 1, 2
"""What a pass ends in; after any but the first its state is of no use."""


@kernel
def run_pass(lay: Layout, st: State, how: Pass, position: Ints, at_most: float) -> int:
    """Place all activities by rank and then by `position` as leaders allow, from an empty state.

    TOO_LONG where something does not fit on the axis. TOO_DEAR where the jobs that are through,
    some of them late, cost more than `at_most` already; no price is below 0.
    """
    clear(lay, st)
    if how.staffs:
        st.begins_by_job[:] = 0
        st.crew_choice[:] = NONE
    missing = np.empty(lay.size, dtype=np.int32)
    first_key, second_key = _keys(lay, how.right_shift)
    in_turn = np.empty(lay.size, dtype=np.int32)
    price, breaks_promise = 0.0, False
    ready = [np.int64(0) for _ in range(0)]
    for i in range(lay.size):
        in_turn[position[i]] = i
        missing[i] = lay.leader_first[i + 1] - lay.leader_first[i]
        if missing[i] == 0:
            ready.append(_entry(lay, st, how, first_key, second_key, position, i))
    heapify(ready)
    while len(ready):
        i = in_turn[heappop(ready) & _POSITIONS]
        if how.staffs and lay.may_wait[i] and st.job_crew_count[lay.job[i]] == 0:
            staff(lay, st, how, lay.job[i])
        if place(lay, st, how, i) == BEYOND:
            return TOO_LONG
        job = lay.job[i]
        st.left_of_job[job] -= 1
        if st.left_of_job[job] == 0:
            if how.tightens and not lay.begun[job]:
                tighten(lay, st, job, 0, LEADS_TO_FIXED)
            if at_most < np.inf and _stands_alone(lay, job):
                price += price_of_job(lay, st, job)
                breaks_promise = breaks_promise or is_late(lay, st, job)
                if breaks_promise and price > at_most:
                    return TOO_DEAR
        for f in range(lay.follower_first[i], lay.follower_first[i + 1]):
            after = lay.follower[f]
            missing[after] -= 1
            if missing[after] == 0:
                heappush(ready, _entry(lay, st, how, first_key, second_key, position, after))
    return DONE


@kernel
def _stands_alone(lay: Layout, job: int) -> bool:
    """Return whether no link ties the job to another, so that its price is final once it is in."""
    group = lay.group_of_job[job]
    return lay.group_job_first[group + 1] - lay.group_job_first[group] == 1


@kernel
def _entry(
    lay: Layout, st: State, how: Pass, first_key: Ints, second_key: Ints, position: Ints, i: int
) -> np.int64:
    """Return both keys and the position as one number, which a heap compares at once.

    A second key of NONE comes first, and whatever lies beyond the axis last.
    """
    second = second_key[i]
    if how.first_ready and lay.rank[i] == OPEN:
        second = earliest_start(lay, st, i)
    second = min(second, lay.axis_slots) + 1
    keys = np.int64(first_key[i]) << _SLOT_BITS | np.int64(second)
    return keys << _POSITION_BITS | np.int64(position[i])


@kernel
def _keys(lay: Layout, right_shift: bool) -> tuple[Ints, Ints]:
    """Return keys that take fixed activities first, in the order of the starts they want.

    In a right shift they take activities by the start that people have been told.
    """
    first = np.empty(lay.size, dtype=np.int32)
    second = np.empty(lay.size, dtype=np.int32)
    for i in range(lay.size):
        wanted, rank = lay.wanted_start[i], lay.rank[i]
        if right_shift:
            told = wanted if wanted != NONE else lay.told_start[i]
            first[i] = 0 if rank == UNDER_WAY else 1
            second[i] = lay.axis_slots if told == NONE else told
        else:
            first[i] = rank
            if rank == UNDER_WAY:
                wanted = lay.earliest[i]
            second[i] = wanted if rank < OPEN and wanted != NONE else 0
    if right_shift:
        for k in range(lay.size - 1, -1, -1):
            i = lay.topological[k]
            for f in range(lay.follower_first[i], lay.follower_first[i + 1]):
                after = lay.follower[f]
                if (first[i], second[i]) > (1, second[after]):
                    first[i], second[i] = 1, second[after]
    return first, second
