"""The state of a branch and bound over a small project, which can be left and gone on with."""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from contractor.engine.compiled import Ints, Longs, Words, by_pointer
from contractor.engine.project.layout import Layout, Pointed, packed

__all__ = [
    "BELOW",
    "DEPTH",
    "DONE",
    "ENTRY",
    "FOUND",
    "MOST_ACTIVITIES",
    "NODES",
    "PROBES",
    "RUNNING",
    "TABLE_BITS",
    "Tree",
    "new_tree",
    "weighed",
]

MOST_ACTIVITIES = 64
"""A mask of so many bits tells what is placed."""
TABLE_BITS = 19
PROBES = 8
RUNNING = 8
ENTRY = RUNNING + 1

DEPTH, BELOW, NODES, FOUND, DONE = range(5)


@by_pointer
@dataclass(frozen=True, eq=False)
class Tree(Pointed):
    """A search for a shorter schedule of n activities, at the depth of its present node.

    `state` counts the activities placed, the makespan to stay below, the nodes seen, schedules
    found, and whether all is done. `mask[0]` has the bits of what is placed, `starts[n]` its
    starts, and the earliest ones of the rest; what is placed is passed over by `next_by_rank` and
    `next_by_tail`, rings from n through the rest in topological order and by falling tail, with
    the way back in `back_by_rank` and `back_by_tail`.

    At depth d, activity `placed[d]` was placed last, at `clock[d]`; its choices are the first
    `choices[d]` entries of row d of `choice` and `choice_start`, rows of n, from `tried[d]` on
    still to try. The first `runs[d]` of row d of `running` hold something beyond the least start
    that is left. `passed[d]` are the bits of what has been tried at that clock.

    `free[t * w + k]` are the words of units free. `units[i * v + k]` are demands with more room
    for each resource, `work` the same times the duration, `limit[v]` capacities and `over[v]`
    guard bits. A row of the table is a mask, and an entry of the next start that it leaves and of
    what then runs, with the slot that it is through with.
    """

    state: Longs
    mask: Words
    starts: Ints
    next_by_rank: Ints
    back_by_rank: Ints
    next_by_tail: Ints
    back_by_tail: Ints
    placed: Ints
    clock: Ints
    choices: Ints
    tried: Ints
    choice: Ints
    choice_start: Ints
    runs: Ints
    running: Ints
    passed: Words
    ready: Ints
    best: Ints
    free: Words
    tails: Ints
    units: Words
    work: Words
    limit: Words
    over: Words
    longest_lag: Ints
    leaders: Words
    table_mask: Words
    entries: Ints


def new_tree(layout: Layout, below: int) -> Tree:
    """Return a tree in which nothing is placed, for schedules of a makespan less than `below`."""
    n = layout.heads.size
    forward, backward = layout.forward, layout.backward
    longest_lag = np.zeros(n, dtype=np.int32)
    np.maximum.at(longest_lag, np.repeat(np.arange(n), np.diff(backward.first)), backward.lag)
    leaders = [0] * n
    for i in range(n):
        for before in forward.leader[forward.first[i] : forward.first[i + 1]].tolist():
            leaders[i] |= 1 << before
    state = np.zeros(5, dtype=np.int64)
    state[BELOW] = below
    sums = _sums(layout, layout.demands, layout.capacities, below)
    return Tree(
        state=state,
        mask=np.zeros(1, dtype=np.uint64),
        starts=np.zeros(n, dtype=np.int32),
        **_ring("rank", np.argsort(layout.rank)),
        **_ring("tail", np.argsort(-layout.tails, kind="stable")),
        placed=np.zeros(n + 1, dtype=np.int32),
        clock=np.zeros(n + 1, dtype=np.int32),
        choices=np.zeros(n + 1, dtype=np.int32),
        tried=np.zeros(n + 1, dtype=np.int32),
        choice=np.zeros((n + 1) * n, dtype=np.int32),
        choice_start=np.zeros((n + 1) * n, dtype=np.int32),
        runs=np.zeros(n + 1, dtype=np.int32),
        running=np.zeros((n + 1) * n, dtype=np.int32),
        passed=np.zeros(n + 1, dtype=np.uint64),
        ready=np.zeros(n, dtype=np.int32),
        best=np.zeros(n, dtype=np.int32),
        free=np.tile(forward.capacity, layout.horizon + 2),
        tails=layout.tails,
        units=sums.units,
        work=sums.work,
        limit=sums.limit,
        over=sums.over,
        longest_lag=longest_lag,
        leaders=np.array(leaders, dtype=np.uint64),
        table_mask=np.zeros(1 << TABLE_BITS, dtype=np.uint64),
        entries=np.zeros(ENTRY << TABLE_BITS, dtype=np.int32),
    )


def weighed(tree: Tree, layout: Layout, weights: Longs, whole: int) -> Tree:
    """Return the tree with `weights[n, c]` to sum up, of which no more than `whole` run at once."""
    columns = np.full(weights.shape[1], whole)
    sums = _sums(layout, weights, columns, int(tree.state[BELOW]))
    return replace(tree, units=sums.units, work=sums.work, limit=sums.limit, over=sums.over)


class _Sums(NamedTuple):
    units: Words
    work: Words
    limit: Words
    over: Words


def _sums(layout: Layout, units: Ints | Longs, limits: Ints | Longs, below: int) -> _Sums:
    """Return what tells whether there is the room for the work that is left."""
    units, limits = units.astype(np.int64), limits.astype(np.int64)
    work = units * layout.forward.durations[:, None]
    most = np.maximum(work.sum(axis=0), limits * below)
    return _Sums(
        units=packed(units, most),
        work=packed(work, most),
        limit=packed(limits[None, :], most),
        over=packed(np.zeros((1, most.size), dtype=np.int64), most, guarded=True),
    )


def _ring(name: str, order: Longs) -> dict[str, Ints]:
    """Return a ring from n through `order` and back to n, both ways."""
    n = order.size
    onward, back = np.empty(n + 1, dtype=np.int32), np.empty(n + 1, dtype=np.int32)
    around = np.concatenate([[n], order])
    onward[around] = np.roll(around, -1)
    back[around] = np.roll(around, 1)
    return {f"next_by_{name}": onward, f"back_by_{name}": back}
