"""What a search by ruin and recreate remembers, beside the plan that it changes, and its dice."""

from dataclasses import dataclass

import numpy as np

from contractor.engine.compiled import Floats, Ints, PointerTable, Words, by_pointer, kernel
from contractor.engine.occupancy import occupy
from contractor.engine.prepared import Layout
from contractor.engine.pricing import price_of_job
from contractor.engine.state import UNPLANNED, State

__all__ = [
    "MOST_GROUPS",
    "SAVED",
    "Walk",
    "below",
    "keep_best",
    "new_walk",
    "price_of_group",
    "restore",
    "save",
    "stand_at",
    "uniform",
    "within",
]

MOST_GROUPS = 8
"""How many groups of jobs are taken out at most."""
SAVED = 9
"""How much is saved of an activity that is taken out."""


@by_pointer
@dataclass(frozen=True, eq=False)
class Walk(PointerTable):
    """What a search remembers beside the state it changes. Kernels change it in place.

    `price`: by job. `total`: of the plan as it stands, then of the best one. `best_…`: the best
    plan, by activity, and by job its begins. `user_first` and `user`: by resource, the activities
    that some mode lets use it. `removed` lists activities, `saved` what they had, in rows of
    SAVED. `chosen` lists groups, `is_chosen` marks them. `changes`: what the last steps would
    have changed in the total.
    """

    seed: Words
    price: Floats
    total: Floats
    best_mode: Ints
    best_start: Ints
    best_begins: Ints
    user_first: Ints
    user: Ints
    removed: Ints
    saved: Ints
    saved_begins: Ints
    chosen: Ints
    is_chosen: Ints
    sort_key: Floats


def new_walk(layout: Layout, state: State, seed: int) -> Walk:
    """Return a walk that stands at the plan in `state`, which is its best so far."""
    groups = len(layout.group_first) - 1
    users: list[set[int]] = [set() for _ in range(layout.resources)]
    activity = np.repeat(np.arange(layout.size), np.diff(layout.mode_first)).tolist()
    mode = np.repeat(np.arange(len(activity)), np.diff(layout.use_first)).tolist()
    for m, resource in zip(mode, layout.use_resource.tolist(), strict=True):
        users[resource].add(activity[m])
    first = np.zeros(layout.resources + 1, dtype=np.int32)
    np.cumsum([len(row) for row in users], out=first[1:])
    walk = Walk(
        # Any number will do but 0, which the generator would never leave.
        seed=np.array([(seed * 0x9E3779B97F4A7C15 + 0x632BE59BD9B4E019) % 2**64 or 1], np.uint64),
        price=np.zeros(layout.jobs),
        total=np.zeros(2),
        best_mode=state.mode.copy(),
        best_start=state.start.copy(),
        best_begins=state.begins_by_job.copy(),
        user_first=first,
        user=np.array([i for row in users for i in sorted(row)], dtype=np.int32),
        removed=np.empty(layout.size, dtype=np.int32),
        saved=np.empty(layout.size * SAVED, dtype=np.int32),
        saved_begins=np.empty(layout.jobs, dtype=np.int32),
        chosen=np.empty(MOST_GROUPS, dtype=np.int32),
        is_chosen=np.zeros(groups, dtype=np.int32),
        sort_key=np.zeros(groups),
    )
    stand_at(layout, state, walk)
    walk.total[1] = walk.total[0]
    return walk


@kernel
def stand_at(lay: Layout, st: State, walk: Walk) -> None:
    """Take what is in the state for the plan as it stands."""
    walk.total[0] = 0.0
    for job in range(lay.jobs):
        walk.price[job] = price_of_job(lay, st, job)
        walk.total[0] += walk.price[job]


@kernel
def keep_best(lay: Layout, st: State, walk: Walk) -> None:
    """Remember the plan as it stands as the best one."""
    walk.total[1] = walk.total[0]
    walk.best_mode[:] = st.mode
    walk.best_start[:] = st.start
    walk.best_begins[:] = st.begins_by_job


@kernel
def save(st: State, walk: Walk, i: int, at: int) -> None:
    """Keep where an activity stands and why, from place `at` of what is saved."""
    saved = walk.saved
    saved[at], saved[at + 1] = st.mode[i], st.crew[i]
    saved[at + 2], saved[at + 3] = st.start[i], st.finish[i]
    saved[at + 4], saved[at + 5] = st.blocker_resource[i], st.blocker_holder[i]
    saved[at + 6], saved[at + 7] = st.blocker_slot[i], st.held_for[i]
    saved[at + 8] = st.held_by[i]


@kernel
def restore(lay: Layout, st: State, walk: Walk, i: int, at: int) -> None:
    """Put an activity back to where it was saved, and take its resources again."""
    saved = walk.saved
    st.mode[i], st.crew[i] = saved[at], saved[at + 1]
    st.start[i], st.finish[i] = saved[at + 2], saved[at + 3]
    st.blocker_resource[i], st.blocker_holder[i] = saved[at + 4], saved[at + 5]
    st.blocker_slot[i], st.held_for[i] = saved[at + 6], saved[at + 7]
    st.held_by[i] = saved[at + 8]
    if st.mode[i] != UNPLANNED:
        occupy(lay, st, i)


@kernel
def price_of_group(lay: Layout, walk: Walk, group: int) -> float:
    """Return what the jobs of a group cost as the walk stands."""
    price = 0.0
    for k in range(lay.group_job_first[group], lay.group_job_first[group + 1]):
        price += walk.price[lay.group_job[k]]
    return price


@kernel
def within(walk: Walk, firsts: Ints, row: int) -> int:
    """Return a random place of a row."""
    return firsts[row] + below(walk, firsts[row + 1] - firsts[row])


@kernel
def below(walk: Walk, limit: int) -> int:
    """Return a random number from 0 to below `limit`."""
    return min(int(uniform(walk) * limit), limit - 1)


@kernel
def uniform(walk: Walk) -> float:
    """Return a random number from 0 to below 1 (xorshift64*: Vigna 2016, from memory)."""
    x = walk.seed[0]
    x ^= x >> np.uint64(12)
    x ^= x << np.uint64(25)
    x ^= x >> np.uint64(27)
    walk.seed[0] = x
    return float((x * np.uint64(2685821657736338717)) >> np.uint64(11)) / 9007199254740992.0
