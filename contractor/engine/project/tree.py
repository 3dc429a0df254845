"""Branch and bound for small projects, where a mask of 64 bits tells what is placed.

Activities are placed in the order of their starts, each as early as it then fits (the precedence
tree: Patterson, Słowiński, Talbot and Węglarz 1989). Two schedules that have placed the same
activities go on alike, so one that leaves no more time and no more units is not gone into again
(the cut-set rule of Demeulemeester and Herroelen 1992, Management Science 38(12), and 1997, 43(11);
all from memory).
"""

from dataclasses import dataclass

import numpy as np

from contractor.engine.compiled import Ints, Longs, Words, by_pointer, kernel
from contractor.engine.project.layout import Layout, Network, Pointed

__all__ = ["MOST_ACTIVITIES", "Tree", "climb", "plant"]

MOST_ACTIVITIES = 64
TABLE_BITS = 19
PROBES = 8
RUNNING = 8

DEPTH, BELOW, NODES, FOUND, DONE = range(5)

_SLOT_BITS = 25
_ONE = np.uint64(1)


@by_pointer
@dataclass(frozen=True, eq=False)
class Tree(Pointed):
    """A search that can be left and gone on with.

    `state` counts the activities placed, the makespan to stay below, the nodes seen, schedules
    found, and whether all is done. At depth d, activity `placed[d]` was placed last; the choices
    are the first `choices[d]` entries of row d of `choice` and `choice_start`, rows of n, from
    `tried[d]` on still to try. `demands[i * r + k]` are units of resource k of r, and
    `free[t * w + k]` the words of units free. A row of the table holds a mask, the next start it
    leaves, and the activities then running with their finishes.
    """

    state: Longs
    mask: Words
    placed: Ints
    choices: Ints
    tried: Ints
    choice: Ints
    choice_start: Ints
    clock: Ints
    starts: Ints
    earliest: Ints
    best: Ints
    free: Words
    tails: Ints
    demands: Ints
    capacities: Ints
    topological: Ints
    by_tail: Ints
    longest_lag: Ints
    leaders: Words
    table_mask: Words
    table_next: Ints
    table_running: Ints


def plant(layout: Layout, below: int) -> Tree:
    """Return a tree to look for schedules of a makespan less than `below`."""
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
    tree = Tree(
        state=state,
        mask=np.zeros(1, dtype=np.uint64),
        placed=np.zeros(n + 1, dtype=np.int32),
        choices=np.zeros(n + 1, dtype=np.int32),
        tried=np.zeros(n + 1, dtype=np.int32),
        choice=np.zeros((n + 1) * n, dtype=np.int32),
        choice_start=np.zeros((n + 1) * n, dtype=np.int32),
        clock=np.zeros(n + 1, dtype=np.int32),
        starts=np.zeros(n, dtype=np.int32),
        earliest=np.zeros(n, dtype=np.int32),
        best=np.zeros(n, dtype=np.int32),
        free=np.tile(forward.capacity, layout.horizon + 2),
        tails=layout.tails,
        demands=layout.demands.ravel(),
        capacities=layout.capacities,
        topological=np.argsort(layout.rank).astype(np.int32),
        by_tail=np.argsort(-layout.tails, kind="stable").astype(np.int32),
        longest_lag=longest_lag,
        leaders=np.array(leaders, dtype=np.uint64),
        table_mask=np.zeros(1 << TABLE_BITS, dtype=np.uint64),
        table_next=np.zeros(1 << TABLE_BITS, dtype=np.int32),
        table_running=np.zeros(RUNNING << TABLE_BITS, dtype=np.int32),
    )
    _expand(forward, tree)
    return tree


@kernel
def climb(network: Network, tree: Tree, nodes: int) -> bool:
    """Go on for up to `nodes` more; return whether all is done. Schedules found are in `best`."""
    state = tree.state
    last = state[NODES] + nodes
    size = tree.starts.size
    while state[NODES] < last and not state[DONE]:
        depth = state[DEPTH]
        k = tree.tried[depth]
        if k >= tree.choices[depth]:
            if depth == 0:
                state[DONE] = 1
            else:
                _take_back(network, tree)
            continue
        tree.tried[depth] += 1
        i, start = tree.choice[depth * size + k], tree.choice_start[depth * size + k]
        if start + network.durations[i] + tree.tails[i] >= state[BELOW]:
            continue
        _place(network, tree, i, start)
        state[NODES] += 1
        if state[DEPTH] < size:
            _expand(network, tree)
        else:
            makespan = 0
            for j in range(size):
                makespan = max(makespan, tree.starts[j] + network.durations[j])
            if makespan < state[BELOW]:
                state[BELOW] = makespan
                state[FOUND] += 1
                for j in range(size):
                    tree.best[j] = tree.starts[j]
            tree.choices[size] = 0
            tree.tried[size] = 0
    return bool(state[DONE] == 1)


@kernel
def _place(network: Network, tree: Tree, i: int, start: int) -> None:
    depth = tree.state[DEPTH] + 1
    tree.state[DEPTH] = depth
    tree.placed[depth] = i
    tree.starts[i] = start
    tree.clock[depth] = start
    tree.mask[0] |= _ONE << np.uint64(i)
    width = network.guard.size
    for t in range(start, start + network.durations[i]):
        for w in range(width):
            tree.free[t * width + w] -= network.needs[i * width + w]


@kernel
def _take_back(network: Network, tree: Tree) -> None:
    depth = tree.state[DEPTH]
    i = tree.placed[depth]
    tree.mask[0] &= ~(_ONE << np.uint64(i))
    width = network.guard.size
    start = tree.starts[i]
    for t in range(start, start + network.durations[i]):
        for w in range(width):
            tree.free[t * width + w] += network.needs[i * width + w]
    tree.state[DEPTH] = depth - 1


@kernel
def _expand(network: Network, tree: Tree) -> None:
    """Set the choices at the present depth: none where no schedule can stay below."""
    depth = tree.state[DEPTH]
    tree.choices[depth] = 0
    tree.tried[depth] = 0
    if not _set_earliest(network, tree):
        return
    mask = tree.mask[0]
    begins, ends, momentary = 1 << 30, 1 << 30, -1
    for i in range(tree.starts.size):
        if _is_ready(tree, mask, i):
            start = tree.earliest[i]
            begins = min(begins, start)
            if network.durations[i] > 0:
                ends = min(ends, start + network.durations[i])
    for i in range(tree.starts.size):
        if network.durations[i] == 0 and _is_ready(tree, mask, i) and tree.earliest[i] == begins:
            momentary = i
    spot = _dominated_or_spot(network, tree, begins)
    if spot < 0 or not _has_room(network, tree, begins):
        return
    _note(network, tree, spot, begins)
    if momentary >= 0:
        tree.choice[depth * tree.starts.size] = momentary
        tree.choice_start[depth * tree.starts.size] = begins
        tree.choices[depth] = 1
        return
    for i in range(tree.starts.size):
        # What another could end before need not be left a gap for it.
        ready = _is_ready(tree, mask, i) and tree.earliest[i] < ends
        if ready and not _was_tried_beside(network, tree, i):
            _add_choice(network, tree, depth, i)


@kernel
def _is_ready(tree: Tree, mask: np.uint64, i: int) -> bool:
    placed = (mask >> np.uint64(i)) & _ONE
    return bool(placed == np.uint64(0) and (tree.leaders[i] & ~mask) == np.uint64(0))


@kernel
def _was_tried_beside(network: Network, tree: Tree, i: int) -> bool:
    """Return whether i was tried in place of what was placed last, and both begin together.

    The two in the other order are the same schedules, and those have been looked through.
    """
    depth, size = tree.state[DEPTH], tree.starts.size
    if depth == 0 or network.durations[i] == 0:
        return False
    last = tree.placed[depth]
    if network.durations[last] == 0 or tree.earliest[i] != tree.starts[last]:
        return False
    row = (depth - 1) * size
    for k in range(row, row + tree.tried[depth - 1] - 1):
        if tree.choice[k] == i:
            return bool(tree.choice_start[k] == tree.starts[last])
    return False


@kernel
def _add_choice(network: Network, tree: Tree, depth: int, i: int) -> None:
    """Put activity i among the choices, the one with the most behind its start first."""
    durations, tails = network.durations, tree.tails
    row = depth * tree.starts.size
    k = row + tree.choices[depth]
    behind = durations[i] + tails[i] - tree.earliest[i]
    while k > row:
        j = tree.choice[k - 1]
        if durations[j] + tails[j] - tree.earliest[j] >= behind:
            break
        tree.choice[k] = j
        tree.choice_start[k] = tree.choice_start[k - 1]
        k -= 1
    tree.choice[k] = i
    tree.choice_start[k] = tree.earliest[i]
    tree.choices[depth] += 1


@kernel
def _set_earliest(network: Network, tree: Tree) -> bool:
    """Set the earliest starts of all that is not placed; return whether all can stay below."""
    mask, below = tree.mask[0], tree.state[BELOW]
    durations, needs, guard = network.durations, network.needs, network.guard
    first, leader, lag = network.first, network.leader, network.lag
    earliest, starts, free, tails = tree.earliest, tree.starts, tree.free, tree.tails
    topological = tree.topological
    clock = tree.clock[tree.state[DEPTH]]
    width = guard.size
    for k in range(topological.size):
        i = topological[k]
        if (mask >> np.uint64(i)) & _ONE:
            earliest[i] = starts[i]
            continue
        start = clock
        for entry in range(first[i], first[i + 1]):
            before = leader[entry]
            start = max(start, earliest[before] + durations[before] + lag[entry])
        # The units in use only fall from the clock on, so what fits at its start fits.
        fits = False
        while not fits:
            fits = True
            for w in range(width):
                needed = free[start * width + w] - needs[i * width + w]
                if (needed & guard[w]) != guard[w]:
                    fits = False
            if not fits:
                start += 1
        earliest[i] = start
        if start + durations[i] + tails[i] >= below:
            return False
    return True


@kernel
def _has_room(network: Network, tree: Tree, begins: int) -> bool:
    """Return whether each resource has the time for the work not placed, by the tails it leaves."""
    mask = tree.mask[0]
    durations, tails, by_tail = network.durations, tree.tails, tree.by_tail
    starts, demands, capacities = tree.starts, tree.demands, tree.capacities
    kinds = capacities.size
    for r in range(kinds):
        work = 0
        for i in range(starts.size):
            finish = starts[i] + durations[i]
            if (mask >> np.uint64(i)) & _ONE and finish > begins:
                work += (finish - begins) * demands[i * kinds + r]
        for k in range(by_tail.size):
            i = by_tail[k]
            if (mask >> np.uint64(i)) & _ONE:
                continue
            work += durations[i] * demands[i * kinds + r]
            slots = tree.state[BELOW] - 1 - tails[i] - begins
            # What runs now and ends only within the tail counts too much there.
            if work > capacities[r] * slots:
                sure = _work_before(network, tree, r, begins, begins + slots, tails[i])
                if sure > capacities[r] * slots:
                    return False
    return True


@kernel
def _work_before(
    network: Network, tree: Tree, r: int, begins: int, ends: int, least_tail: int
) -> int:
    """Return the work on resource r that must lie between two slots."""
    mask, kinds = tree.mask[0], tree.capacities.size
    work = 0
    for i in range(tree.starts.size):
        if (mask >> np.uint64(i)) & _ONE:
            finish = min(tree.starts[i] + network.durations[i], ends)
            work += max(0, finish - begins) * tree.demands[i * kinds + r]
        elif tree.tails[i] >= least_tail:
            work += network.durations[i] * tree.demands[i * kinds + r]
    return work


@kernel
def _dominated_or_spot(network: Network, tree: Tree, begins: int) -> int:
    """Return -1 if the same was placed before and left no less, else where to note this."""
    mask = tree.mask[0]
    size = tree.table_mask.size
    hashed = mask * np.uint64(0x9E3779B97F4A7C15)
    place = int(np.int64(hashed >> np.uint64(64 - TABLE_BITS)))
    for probe in range(PROBES):
        row = (place + probe) % size
        if tree.table_mask[row] == np.uint64(0):
            return row
        if tree.table_mask[row] == mask and _leaves_no_less(network, tree, row, begins):
            return -1
    return int((place + tree.state[NODES] % PROBES) % size)


@kernel
def _leaves_no_less(network: Network, tree: Tree, row: int, begins: int) -> bool:
    if tree.table_next[row] > begins:
        return False
    for k in range(RUNNING):
        entry = tree.table_running[row * RUNNING + k]
        if entry < 0:
            return True
        i, ready = entry >> _SLOT_BITS, entry & ((1 << _SLOT_BITS) - 1)
        here = tree.starts[i] + network.durations[i] + tree.longest_lag[i]
        if ready > max(here, begins):
            return False
    return True


@kernel
def _note(network: Network, tree: Tree, row: int, begins: int) -> None:
    mask = tree.mask[0]
    k = 0
    for i in range(tree.starts.size):
        if (mask >> np.uint64(i)) & _ONE:
            ready = tree.starts[i] + network.durations[i] + tree.longest_lag[i]
            if ready > begins:
                if k == RUNNING:
                    tree.table_mask[row] = np.uint64(0)
                    return
                tree.table_running[row * RUNNING + k] = (i << _SLOT_BITS) | ready
                k += 1
    if k < RUNNING:
        tree.table_running[row * RUNNING + k] = -1
    tree.table_mask[row] = mask
    tree.table_next[row] = begins
