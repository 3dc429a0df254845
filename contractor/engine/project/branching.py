"""Branch and bound for small projects.

Activities are placed in the order of their starts, each as early as it then fits (the precedence
tree: Patterson, Słowiński, Talbot and Węglarz 1989, from memory).

Three kinds of choice are left out, as schedules no longer than theirs are elsewhere in the tree:
what could end before another begins and is left a gap for it; what could as well begin one slot
sooner; and what begins together in an order that has been tried. With the cut-set rule none of
them leaves out all of the best. Take of the schedules shorter than any found the one whose starts,
the latest first, are least, counting what takes time. The first kind and the second make one start
less. The third goes to the same schedule where the tree was before. So does the cut-set rule, to
one with the same later starts, and with no more starts than before at or after any slot from which
these begin: what was placed there so late runs then, and so stood there before. As the tree was
never there twice, some end is reached, which contradicts that the starts were least.
"""

import numpy as np

from contractor.engine.compiled import kernel
from contractor.engine.project.cuts import has_room, note, seen_or_spot, set_running
from contractor.engine.project.layout import Layout, Network
from contractor.engine.project.tree import BELOW, DEPTH, DONE, FOUND, NODES, Tree, new_tree

__all__ = ["climb", "plant"]

_ONE, _NOTHING = np.uint64(1), np.uint64(0)
_NEVER = 1 << 30


def plant(layout: Layout, below: int) -> Tree:
    """Return a tree to look for schedules of a makespan less than `below`."""
    tree = new_tree(layout, below)
    _expand(layout.forward, tree)
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
            _keep(network, tree)
    return bool(state[DONE] == 1)


@kernel
def _keep(network: Network, tree: Tree) -> None:
    """Keep the schedule, now that all is placed, if it is shorter."""
    size = tree.starts.size
    makespan = 0
    for i in range(size):
        makespan = max(makespan, tree.starts[i] + network.durations[i])
    if makespan < tree.state[BELOW]:
        tree.state[BELOW] = makespan
        tree.state[FOUND] += 1
        for i in range(size):
            tree.best[i] = tree.starts[i]
    tree.choices[size] = 0
    tree.tried[size] = 0


@kernel
def _place(network: Network, tree: Tree, i: int, start: int) -> None:
    depth = tree.state[DEPTH] + 1
    tree.state[DEPTH] = depth
    tree.placed[depth] = i
    tree.starts[i] = start
    tree.clock[depth] = start
    tree.mask[0] |= _ONE << np.uint64(i)
    tree.next_by_rank[tree.back_by_rank[i]] = tree.next_by_rank[i]
    tree.back_by_rank[tree.next_by_rank[i]] = tree.back_by_rank[i]
    tree.next_by_tail[tree.back_by_tail[i]] = tree.next_by_tail[i]
    tree.back_by_tail[tree.next_by_tail[i]] = tree.back_by_tail[i]
    width = network.guard.size
    for t in range(start, start + network.durations[i]):
        for w in range(width):
            tree.free[t * width + w] -= network.needs[i * width + w]


@kernel
def _take_back(network: Network, tree: Tree) -> None:
    depth = tree.state[DEPTH]
    i = tree.placed[depth]
    tree.mask[0] &= ~(_ONE << np.uint64(i))
    # What was taken out of a ring last still knows its neighbors.
    tree.next_by_rank[tree.back_by_rank[i]] = i
    tree.back_by_rank[tree.next_by_rank[i]] = i
    tree.next_by_tail[tree.back_by_tail[i]] = i
    tree.back_by_tail[tree.next_by_tail[i]] = i
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
    _set_passed(tree)
    count = _set_earliest(network, tree)
    if count < 0:
        return
    durations, ready, starts = network.durations, tree.ready, tree.starts
    begins, ends, momentary = _NEVER, _NEVER, -1
    for k in range(count):
        i = ready[k]
        if i < 0:
            i = ~i
        else:
            begins = min(begins, starts[i])
        if durations[i] > 0:
            ends = min(ends, starts[i] + durations[i])
    if begins >= _NEVER:
        return
    set_running(network, tree, begins)
    if not _held_can_wait(network, tree, count, begins) or not has_room(network, tree, begins):
        return
    spot = seen_or_spot(network, tree, begins)
    if spot < 0:
        return
    note(network, tree, spot, begins)
    for k in range(count):
        i = ready[k]
        if i >= 0 and durations[i] == 0 and starts[i] == begins:
            momentary = i
    if momentary >= 0:
        tree.choice[depth * starts.size] = momentary
        tree.choice_start[depth * starts.size] = begins
        tree.choices[depth] = 1
        return
    for k in range(count):
        i = ready[k]
        # What another could end before need not be left a gap for it.
        if i >= 0 and starts[i] < ends:
            _add_choice(network, tree, depth, i)


@kernel
def _set_passed(tree: Tree) -> None:
    """Set the bits of what was tried, at the present clock, in place of what was placed then."""
    depth, size = tree.state[DEPTH], tree.starts.size
    passed = _NOTHING
    if depth > 0:
        clock, above = tree.clock[depth], depth - 1
        if tree.clock[above] == clock:
            passed = tree.passed[above]
        for k in range(above * size, above * size + tree.tried[above] - 1):
            if tree.choice_start[k] == clock:
                passed |= _ONE << np.uint64(tree.choice[k])
    tree.passed[depth] = passed


@kernel
def _set_earliest(network: Network, tree: Tree) -> int:
    """Set the earliest starts of all that is not placed, and list in `ready` what waits for none.

    What may not begin at the earliest start, as the same is tried elsewhere, is listed as its
    complement. Returns how many are listed, or -1 where not all can stay below.
    """
    mask, below = tree.mask[0], tree.state[BELOW]
    durations, first, leader, lag = network.durations, network.first, network.leader, network.lag
    starts, tails, next_by_rank = tree.starts, tree.tails, tree.next_by_rank
    depth, size = tree.state[DEPTH], starts.size
    clock, passed = tree.clock[depth], tree.passed[depth]
    count = 0
    i = next_by_rank[size]
    while i != size:
        freed = 0
        for entry in range(first[i], first[i + 1]):
            before = leader[entry]
            freed = max(freed, starts[before] + durations[before] + lag[entry])
        # The units in use only fall from the clock on, so what fits at its start fits.
        start = max(clock, freed)
        while not _fits(network, tree, i, start):
            start += 1
        starts[i] = start
        if start + durations[i] + tails[i] >= below:
            return -1
        if (tree.leaders[i] & ~mask) == _NOTHING:
            waits = start == clock and durations[i] > 0
            if waits and not (passed >> np.uint64(i)) & _ONE:
                waits = freed < clock and _fits(network, tree, i, clock - 1)
            tree.ready[count] = ~i if waits else i
            count += 1
        i = next_by_rank[i]
    return count


@kernel
def _fits(network: Network, tree: Tree, i: int, t: int) -> bool:
    """Return whether slot t has the units that activity i needs."""
    width = network.guard.size
    for w in range(width):
        guard = network.guard[w]
        if ((tree.free[t * width + w] - network.needs[i * width + w]) & guard) != guard:
            return False
    return True


@kernel
def _held_can_wait(network: Network, tree: Tree, count: int, begins: int) -> bool:
    """Return whether what may not begin yet can still stay below when it does.

    It waits for something that begins before it and takes its place, so for the next to end.
    """
    durations, starts, ready = network.durations, tree.starts, tree.ready
    next_end = _NEVER
    for k in range(count):
        if ready[k] >= 0:
            next_end = min(next_end, starts[ready[k]] + durations[ready[k]])
    row = tree.state[DEPTH] * starts.size
    for k in range(row, row + tree.runs[tree.state[DEPTH]]):
        finish = starts[tree.running[k]] + durations[tree.running[k]]
        if finish > begins:
            next_end = min(next_end, finish)
    for k in range(count):
        i = ~ready[k]
        if i >= 0 and next_end + durations[i] + tree.tails[i] >= tree.state[BELOW]:
            return False
    return True


@kernel
def _add_choice(network: Network, tree: Tree, depth: int, i: int) -> None:
    """Put activity i among the choices, the one with the most behind its start first."""
    durations, tails, starts = network.durations, tree.tails, tree.starts
    row = depth * starts.size
    k = row + tree.choices[depth]
    behind = durations[i] + tails[i] - starts[i]
    while k > row:
        j = tree.choice[k - 1]
        if durations[j] + tails[j] - starts[j] >= behind:
            break
        tree.choice[k] = j
        tree.choice_start[k] = tree.choice_start[k - 1]
        k -= 1
    tree.choice[k] = i
    tree.choice_start[k] = starts[i]
    tree.choices[depth] += 1
