"""Ruin and recreate: take a few jobs out of a plan and put them back another way.

Jobs that lie next to each other in time on the same crew or machine are taken out together, so
that they can change places (ruin and recreate: Schrimpf and others 2000, Journal of Computational
Physics 159; taking out what is adjacent: Christiaens and Vanden Berghe 2020, Transportation Science
54(2); both from memory). A step costs what those jobs cost to place, however large the plan is.
"""

from math import log

import numpy as np

from contractor.engine.compiled import kernel
from contractor.engine.occupancy import forget
from contractor.engine.placing import BEYOND, Pass, join, place
from contractor.engine.prepared import NONE, OPEN, Layout
from contractor.engine.pricing import price_of_job
from contractor.engine.state import UNPLANNED, State
from contractor.engine.tighten import tighten
from contractor.engine.walk import (
    MOST_GROUPS,
    SAVED,
    Walk,
    below,
    keep_best,
    price_of_group,
    restore,
    save,
    uniform,
    within,
)
from contractor.engine.worktime import SLOTS_PER_DAY

__all__ = ["step_many"]

# Shares of the steps, or of the draws within one; our own choice, by trial on drawn portfolios.
SHARE_ONE = 0.25
"""One group alone."""
SHARE_REST_ONLY = 0.8
"""Only what begins after some moment, MOST_DAYS_BEFORE the middle of the ruin at most."""
MOST_DAYS_BEFORE = 5
SHARE_ONWARD = 0.3
"""The next group lies near one found already, and not near the middle."""
TRIES = 12
"""How many activities are looked at to find one nearby on a machine of several units."""
SHARE_SAME_CREWS = 0.35
SHARE_ANY_CREW = 0.25
"""A group comes back on the crews it had, or on one drawn by lot; else the decoder chooses."""
SHARE_ANY_MODE = 0.02
"""An activity comes back in a mode drawn by lot."""
SHARE_SOONEST = 0.7
SHARE_OTHER_BEGIN = 0.15
"""A job begins as soon as it can, or up to MOST_BEGIN_MOVE_DAYS from where it did; else there."""
MOST_BEGIN_MOVE_DAYS = 28
SHARE_HELD_BACK = 0.6
"""The early work of a group's jobs is held back, so that they run through."""


@kernel
def step_many(
    lay: Layout, st: State, how: Pass, walk: Walk, steps: int, temperature: float
) -> float:
    """Try so many steps; return the mean of the changes for the worse that were seen.

    A step is taken that makes the plan worse by no more than an exponential draw of mean
    `temperature`; this is the acceptance of simulated annealing.
    """
    worse, worse_sum = 0, 0.0
    for _ in range(steps):
        allowed = -temperature * log(1.0 - uniform(walk)) if temperature > 0 else 0.0
        change = _step(lay, st, how, walk, allowed)
        if 0 < change < np.inf:
            worse += 1
            worse_sum += change
        if walk.total[0] < walk.total[1] - 1e-6:
            keep_best(lay, st, walk)
    return worse_sum / worse if worse else 0.0


@kernel
def _step(lay: Layout, st: State, how: Pass, walk: Walk, allowed: float) -> float:
    """Try one step; return the change of the total, infinite where it was given up early."""
    groups, since = _choose_groups(lay, st, walk)
    removed = _remove(lay, st, walk, groups, since)
    if removed == 0:
        return np.inf
    _sort_groups(lay, st, walk, groups)
    before, after = 0.0, 0.0
    for g in range(groups):
        before += price_of_group(lay, walk, walk.chosen[g])
    done = 0
    fits = True
    for g in range(groups):
        group = walk.chosen[g]
        _choose_way(lay, st, walk, group, removed, since)
        fits = _recreate(lay, st, how, group)
        if fits and uniform(walk) < SHARE_HELD_BACK:
            _hold_back(lay, st, group, since)
        done = g + 1
        if fits:
            for k in range(lay.group_job_first[group], lay.group_job_first[group + 1]):
                after += price_of_job(lay, st, lay.group_job[k])
        # What is still out costs something too, so this is too dear whatever comes.
        if not fits or after - before > allowed:
            fits = False
            break
    if not fits:
        _undo(lay, st, walk, groups, removed, done)
        return np.inf
    for g in range(groups):
        group = walk.chosen[g]
        walk.is_chosen[group] = 0
        for k in range(lay.group_job_first[group], lay.group_job_first[group + 1]):
            job = lay.group_job[k]
            walk.price[job] = price_of_job(lay, st, job)
    walk.total[0] += after - before
    return after - before


@kernel
def _choose_groups(lay: Layout, st: State, walk: Walk) -> tuple[int, int]:
    """Choose groups that lie near each other; return how many, and the slot to ruin from."""
    groups = lay.group_first.size - 1
    seed = below(walk, groups)
    for _ in range(2):
        other = below(walk, groups)
        if price_of_group(lay, walk, other) > price_of_group(lay, walk, seed):
            seed = other
    if lay.group_first[seed] == lay.group_first[seed + 1]:
        return 0, 0
    walk.chosen[0] = seed
    walk.is_chosen[seed] = 1
    wanted = 1
    if uniform(walk) > SHARE_ONE:
        wanted = min(2 + below(walk, MOST_GROUPS - 1), groups)
    centre = lay.group_member[within(walk, lay.group_first, seed)]
    count = 1
    for _ in range(2 * wanted):
        if count == wanted:
            break
        # Mostly around one moment, sometimes on from what was found.
        at = centre
        if uniform(walk) < SHARE_ONWARD:
            at = lay.group_member[within(walk, lay.group_first, walk.chosen[below(walk, count)])]
        near = _near(lay, st, walk, at)
        if near == NONE:
            continue
        group = lay.group_of_job[lay.job[near]]
        if not walk.is_chosen[group]:
            walk.chosen[count] = group
            walk.is_chosen[group] = 1
            count += 1
    since = 0
    if uniform(walk) < SHARE_REST_ONLY:
        since = st.start[centre] - below(walk, MOST_DAYS_BEFORE * SLOTS_PER_DAY)
    return count, since


@kernel
def _near(lay: Layout, st: State, walk: Walk, i: int) -> int:
    """Return an activity near `i` in time, on something that both use; NONE where none is found."""
    if st.mode[i] == UNPLANNED:
        return NONE
    m = lay.mode_first[i] + st.mode[i]
    uses = lay.use_first[m + 1] - lay.use_first[m]
    if uses == 0:
        return NONE
    r = lay.use_resource[lay.use_first[m] + below(walk, uses)]
    if lay.capacity[r] == 1 and uniform(walk) < 0.5:
        return _neighbor(lay, st, walk, r, i)
    found, distance = NONE, lay.axis_slots
    count = walk.user_first[r + 1] - walk.user_first[r]
    for _ in range(TRIES):
        other = walk.user[walk.user_first[r] + below(walk, count)]
        if lay.job[other] == lay.job[i] or st.mode[other] == UNPLANNED or lay.rank[other] != OPEN:
            continue
        apart = abs(st.start[other] - st.start[i])
        if apart < distance:
            found, distance = other, apart
    return found


@kernel
def _neighbor(lay: Layout, st: State, walk: Walk, r: int, i: int) -> int:
    """Return who has the resource next before or after `i`, one or a few turns away."""
    row = lay.base[r] * (lay.axis_slots + 1)
    first = st.first_slot[r]
    forward = uniform(walk) < 0.5
    slot = lay.before[row + st.finish[i]] if forward else lay.before[row + st.start[i]] - 1
    turns = 1 + below(walk, 4)
    found = NONE
    slots = lay.total[lay.base[r]]
    looked = 0
    while 0 <= slot < slots and looked < 400:
        looked += 1
        holder = st.holder[first + slot]
        if holder >= 0 and holder != found and lay.job[holder] != lay.job[i]:
            found = holder
            turns -= 1
            if turns == 0:
                break
        slot += 1 if forward else -1
    return found


@kernel
def _remove(lay: Layout, st: State, walk: Walk, groups: int, since: int) -> int:
    """Take out what is open of the chosen groups and begins at `since` or later; return how much.

    Followers never begin before their leaders, so whatever follows is taken out too.
    """
    removed = 0
    for g in range(groups):
        group = walk.chosen[g]
        for k in range(lay.group_first[group], lay.group_first[group + 1]):
            i = lay.group_member[k]
            if lay.rank[i] != OPEN:
                continue
            if st.mode[i] != UNPLANNED and st.start[i] < since:
                continue
            walk.removed[removed] = i
            save(st, walk, i, removed * SAVED)
            forget(lay, st, i)
            removed += 1
        for k in range(lay.group_job_first[group], lay.group_job_first[group + 1]):
            job = lay.group_job[k]
            walk.saved_begins[job] = st.begins_by_job[job]
            _recount_crews(lay, st, job)
    if removed == 0:
        for g in range(groups):
            walk.is_chosen[walk.chosen[g]] = 0
    return removed


@kernel
def _recount_crews(lay: Layout, st: State, job: int) -> None:
    """Bring who is on the job in step with what is placed of it."""
    st.job_crew_count[job] = 0
    if lay.preferred_crew[job] != NONE:
        join(st, job, lay.preferred_crew[job])
    for k in range(lay.member_first[job], lay.member_first[job + 1]):
        if st.crew[lay.member[k]] != NONE:
            join(st, job, st.crew[lay.member[k]])


@kernel
def _sort_groups(lay: Layout, st: State, walk: Walk, groups: int) -> None:
    """Put the chosen groups into the order in which they come back."""
    way = below(walk, 4)
    for g in range(groups):
        group = walk.chosen[g]
        key = uniform(walk)
        if way == 1:
            key = _due_of(lay, group) + key * 14 * SLOTS_PER_DAY
        elif way == 2:
            key = -price_of_group(lay, walk, group) * (0.5 + key)
        elif way == 3 and g > 0:
            key += 1.0
        walk.sort_key[group] = key
    for g in range(1, groups):
        group = walk.chosen[g]
        k = g
        while k > 0 and walk.sort_key[walk.chosen[k - 1]] > walk.sort_key[group]:
            walk.chosen[k] = walk.chosen[k - 1]
            k -= 1
        walk.chosen[k] = group


@kernel
def _due_of(lay: Layout, group: int) -> float:
    due = 2.0 * lay.axis_slots
    for k in range(lay.group_job_first[group], lay.group_job_first[group + 1]):
        if lay.due[lay.group_job[k]] != NONE:
            due = min(due, float(lay.due[lay.group_job[k]]))
    return due


@kernel
def _choose_way(lay: Layout, st: State, walk: Walk, group: int, removed: int, since: int) -> None:
    """Settle, by chance, on which crew and from when on the group is put back."""
    dice = uniform(walk)
    crew = NONE
    keeps = dice < SHARE_SAME_CREWS
    if dice > 1.0 - SHARE_ANY_CREW:
        first_job = lay.group_job[lay.group_job_first[group]]
        for _ in range(4):
            r = below(walk, lay.resources)
            if lay.coverage[first_job * lay.resources + r]:
                crew = r
                break
    for k in range(removed):
        i = walk.removed[k]
        if lay.group_of_job[lay.job[i]] == group:
            st.crew_choice[i] = walk.saved[k * SAVED + 1] if keeps else crew
            st.mode_choice[i] = NONE
            if uniform(walk) < SHARE_ANY_MODE:
                st.mode_choice[i] = below(walk, lay.mode_first[i + 1] - lay.mode_first[i])
    if since > 0:
        return  # what stays in place has begun as it was to begin
    for k in range(lay.group_job_first[group], lay.group_job_first[group + 1]):
        job = lay.group_job[k]
        dice = uniform(walk)
        if dice < SHARE_SOONEST:
            st.begins_by_job[job] = 0
        elif dice > 1.0 - SHARE_OTHER_BEGIN:
            _begin_otherwise(lay, st, walk, job, removed)


@kernel
def _begin_otherwise(lay: Layout, st: State, walk: Walk, job: int, removed: int) -> None:
    """Let the job begin some days before or after it did."""
    for k in range(removed):
        i = walk.removed[k]
        if lay.job[i] == job and lay.may_wait[i]:
            if walk.saved[k * SAVED] != UNPLANNED:
                days = below(walk, 2 * MOST_BEGIN_MOVE_DAYS) - MOST_BEGIN_MOVE_DAYS
                begins = walk.saved[k * SAVED + 2] + days * SLOTS_PER_DAY
                st.begins_by_job[job] = max(begins, 0)
            return


@kernel
def _recreate(lay: Layout, st: State, how: Pass, group: int) -> bool:
    """Place what is missing of the group; False where something does not fit on the axis."""
    for k in range(lay.group_first[group], lay.group_first[group + 1]):
        i = lay.group_member[k]
        if st.mode[i] == UNPLANNED and lay.rank[i] == OPEN:
            st.held_by[i] = NONE
            if place(lay, st, how, i) == BEYOND:
                return False
    return True


@kernel
def _hold_back(lay: Layout, st: State, group: int, since: int) -> None:
    """Move what can wait of the group toward what follows it; what was not taken out stays."""
    for k in range(lay.group_job_first[group], lay.group_job_first[group + 1]):
        if not lay.begun[lay.group_job[k]]:
            tighten(lay, st, lay.group_job[k], since, OPEN)


@kernel
def _undo(lay: Layout, st: State, walk: Walk, groups: int, removed: int, done: int) -> None:
    """Put everything back as it was before the step."""
    for k in range(removed):
        forget(lay, st, walk.removed[k])
    for k in range(removed):
        restore(lay, st, walk, walk.removed[k], k * SAVED)
    for g in range(groups):
        group = walk.chosen[g]
        walk.is_chosen[group] = 0
        for k in range(lay.group_job_first[group], lay.group_job_first[group + 1]):
            job = lay.group_job[k]
            st.begins_by_job[job] = walk.saved_begins[job]
            _recount_crews(lay, st, job)
