"""Hold back the early work of a job, so that its crew runs through once it has begun.

Placed one by one into the first gaps, the phases of a job lie strewn wherever a crew had a free
morning. This moves them right, the last ones first, toward what follows them; what follows is
never delayed, so no job finishes later.
"""

from contractor.engine.compiled import kernel
from contractor.engine.fit import last_fit, may_finish_by
from contractor.engine.occupancy import occupy, vacate
from contractor.engine.prepared import NONE, Layout
from contractor.engine.state import UNPLANNED, State


@kernel
def tighten(lay: Layout, st: State, job: int, since: int, least_rank: int) -> None:
    """Move what can wait of `job` toward its followers, on the same modes, in place.

    What is of a lower rank or begins before slot `since`, and what has no follower, stays. What was
    announced moves no later than announced.
    """
    for k in range(lay.member_first[job + 1] - 1, lay.member_first[job] - 1, -1):
        i = lay.member[k]
        if (
            lay.rank[i] < least_rank
            or st.mode[i] == UNPLANNED
            or st.start[i] < since
            # Another phase took its turn behind this one, so they keep that order.
            or _holds_up(lay, st, job, i)
        ):
            continue
        finish, follower = _limit(lay, st, i)
        if follower != NONE:
            _move(lay, st, i, finish, follower)


@kernel
def _holds_up(lay: Layout, st: State, job: int, i: int) -> bool:
    """Return whether another phase of the job had to wait for something that this one used.

    That one may have moved since, but what it once waited for is this one's turn before it.
    """
    m = lay.mode_first[i] + st.mode[i]
    for u in range(lay.use_first[m], lay.use_first[m + 1]):
        r = lay.use_resource[u]
        for k in range(lay.member_first[job], lay.member_first[job + 1]):
            other = lay.member[k]
            if st.blocker_resource[other] == r and st.blocker_slot[other] == st.finish[i]:
                return True
    return False


@kernel
def _limit(lay: Layout, st: State, i: int) -> tuple[int, int]:
    """Return the tightest limit of the finish and who sets it; NONE where nothing can be gained."""
    m = lay.mode_first[i] + st.mode[i]
    row = lay.mode_calendar[m] * (lay.axis_slots + 1)
    first, total = lay.slot_first[lay.mode_calendar[m]], lay.total[lay.mode_calendar[m]]
    work = lay.mode_work[m]
    if work == 0:
        return 0, NONE
    limit, tightest = 0, NONE
    done_now = lay.before[row + st.finish[i]]
    for f in range(lay.follower_first[i], lay.follower_first[i + 1]):
        after = lay.follower[f]
        if st.mode[after] == UNPLANNED:
            return 0, NONE
        for k in range(lay.leader_first[after], lay.leader_first[after + 1]):
            if lay.leader[k] != i:
                continue
            latest = _latest_leading_to(lay, k, st.start[after])
            done = lay.before[row + latest]
            if lay.leader_start_to_start[k]:
                done = min(lay.before[row + latest + 1] - 1 + work, total)
                # Its follower may end before it does: it could be what ends the job last.
                done = min(done, lay.before[row + _job_ends(lay, st, lay.job[i])])
            # A follower that was itself moved has kept its float; one float serves the chain.
            if st.held_for[after] == NONE:
                done -= lay.float_slots
            if done <= done_now:
                return 0, NONE
            finish = lay.slot_of[first + done - 1] + 1
            if tightest == NONE or finish < limit:
                limit, tightest = finish, after
    told = lay.told_start[i]
    if tightest != NONE and told != NONE:
        done = min(lay.before[row + min(told, lay.axis_slots - 1) + 1] - 1 + work, total)
        if done <= done_now:
            return 0, NONE
        limit = min(limit, lay.slot_of[first + done - 1] + 1)
    return limit, tightest


@kernel
def _job_ends(lay: Layout, st: State, job: int) -> int:
    ends = 0
    for k in range(lay.member_first[job], lay.member_first[job + 1]):
        if st.mode[lay.member[k]] != UNPLANNED:
            ends = max(ends, st.finish[lay.member[k]])
    return ends


@kernel
def _latest_leading_to(lay: Layout, k: int, start: int) -> int:
    """Return the last slot at which the leader of link entry `k` frees a follower by `start`."""
    if lay.leader_wait[k] == NONE:
        return start
    row = lay.leader_wait[k] * (lay.axis_slots + 1)
    low, high = 0, lay.axis_slots + 1
    while low < high:
        middle = (low + high) // 2
        if lay.wait_table[row + middle] <= start:
            low = middle + 1
        else:
            high = middle
    return low - 1


@kernel
def _move(lay: Layout, st: State, i: int, limit: int, follower: int) -> None:
    m = lay.mode_first[i] + st.mode[i]
    old = st.start[i]
    no_uses = lay.use_first[m] == lay.use_first[m + 1]
    vacate(lay, st, i)
    fits, start, finish = last_fit(lay, st, m, lay.window_set[i], old, limit)
    if fits and no_uses and lay.window_set[i] == NONE:
        fits, start, finish = _as_in_the_day(lay, m, old, start)
    if fits and not _another_is_sooner(lay, i, m, start, finish):
        st.start[i], st.finish[i] = start, finish
        st.held_for[i] = follower
    occupy(lay, st, i)


@kernel
def _another_is_sooner(lay: Layout, i: int, m: int, start: int, finish: int) -> bool:
    """Return whether work that no crew is told of would be done another way from `start`.

    It would then not stay where it was announced when the plan is made again.
    """
    if lay.mode_crew[m] != NONE:
        return False
    for other in range(lay.mode_first[i], lay.mode_first[i + 1]):
        if other != m and may_finish_by(lay, other, start, finish):
            return True
    return False


@kernel
def _as_in_the_day(lay: Layout, m: int, old_start: int, start: int) -> tuple[bool, int, int]:
    """Return the stretch at or before `start` that begins as its calendar opens, as the old did.

    Others come in visits of whole mornings or afternoons, which must not be cut in two. False when
    that is no later than `old_start`.
    """
    row = lay.mode_calendar[m] * (lay.axis_slots + 1)
    first = lay.slot_first[lay.mode_calendar[m]]
    index = lay.before[row + start]
    if _opens(lay, first, lay.before[row + old_start]):
        while not _opens(lay, first, index):
            index -= 1
    if lay.slot_of[first + index] <= old_start:
        return False, 0, 0
    return True, lay.slot_of[first + index], lay.slot_of[first + index + lay.mode_work[m] - 1] + 1


@kernel
def _opens(lay: Layout, first: int, index: int) -> bool:
    """Return whether the working slot of that index comes right after time not worked."""
    return index == 0 or lay.slot_of[first + index - 1] < lay.slot_of[first + index] - 1
