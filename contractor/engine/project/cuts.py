"""What a node of the branch and bound need not be gone into for.

There is not the room for the work that is left, or the same activities have been placed before
and left no less (the cut-set rule of Demeulemeester and Herroelen 1992, Management Science 38(12),
and 1997, 43(11), from memory).
"""

import numpy as np

from contractor.engine.compiled import kernel
from contractor.engine.project.layout import Network
from contractor.engine.project.tree import (
    BELOW,
    DEPTH,
    ENTRY,
    NODES,
    PROBES,
    RUNNING,
    TABLE_BITS,
    Tree,
)

__all__ = ["has_room", "note", "seen_or_spot", "set_running"]

_SLOT_BITS = 25


@kernel
def set_running(network: Network, tree: Tree, begins: int) -> None:
    """List what still runs, or holds up what follows it, when the rest begins."""
    depth, size = tree.state[DEPTH], tree.starts.size
    row = depth * size
    count = 0
    if depth > 0:
        above = row - size
        listed = tree.runs[depth - 1]
        for k in range(listed + 1):
            i = tree.placed[depth] if k == listed else tree.running[above + k]
            if tree.starts[i] + network.durations[i] + tree.longest_lag[i] > begins:
                tree.running[row + count] = i
                count += 1
    tree.runs[depth] = count


@kernel
def has_room(network: Network, tree: Tree, begins: int) -> bool:
    """Return whether each resource has the time for the work not placed, by the tails it leaves."""
    durations, tails, starts = network.durations, tree.tails, tree.starts
    units, work, next_by_tail = tree.units, tree.work, tree.next_by_tail
    size, width = starts.size, tree.over.size
    row, running = tree.state[DEPTH] * size, tree.running
    count = tree.runs[tree.state[DEPTH]]
    for w in range(width):
        limit, over = tree.limit[w], tree.over[w]
        total = np.uint64(0)
        for k in range(row, row + count):
            i = running[k]
            beyond = starts[i] + durations[i] - begins
            if beyond > 0:
                total += units[i * width + w] * np.uint64(beyond)
        i = next_by_tail[size]
        while i != size:
            total += work[i * width + w]
            slots = tree.state[BELOW] - 1 - tails[i] - begins
            if ((limit * np.uint64(slots) + over - total) & over) != over:
                # What runs now and ends only within the tail counts too much there.
                sure = total
                for k in range(row, row + count):
                    j = running[k]
                    within = starts[j] + durations[j] - begins - slots
                    if within > 0:
                        sure -= units[j * width + w] * np.uint64(within)
                if ((limit * np.uint64(slots) + over - sure) & over) != over:
                    return False
            i = next_by_tail[i]
    return True


@kernel
def seen_or_spot(network: Network, tree: Tree, begins: int) -> int:
    """Return -1 if the same was placed before and left no less, else where to note this."""
    mask = tree.mask[0]
    table_mask = tree.table_mask
    size = table_mask.size
    hashed = mask * np.uint64(0x9E3779B97F4A7C15)
    place = int(np.int64(hashed >> np.uint64(64 - TABLE_BITS)))
    for probe in range(PROBES):
        row = (place + probe) % size
        if table_mask[row] == np.uint64(0):
            return row
        if table_mask[row] == mask and _leaves_no_less(network, tree, row, begins):
            return -1
    return int((place + tree.state[NODES] % PROBES) % size)


@kernel
def _leaves_no_less(network: Network, tree: Tree, row: int, begins: int) -> bool:
    entries = tree.entries
    first = row * ENTRY
    if entries[first] > begins:
        return False
    for k in range(first + 1, first + ENTRY):
        entry = entries[k]
        if entry < 0:
            return True
        i, through = entry >> _SLOT_BITS, entry & ((1 << _SLOT_BITS) - 1)
        here = tree.starts[i] + network.durations[i] + tree.longest_lag[i]
        if through > max(here, begins):
            return False
    return True


@kernel
def note(network: Network, tree: Tree, row: int, begins: int) -> None:
    """Put what is placed into a row of the table, if no more runs than an entry has places for."""
    depth = tree.state[DEPTH]
    count = tree.runs[depth]
    if count > RUNNING:
        tree.table_mask[row] = np.uint64(0)
        return
    tree.table_mask[row] = tree.mask[0]
    first = row * ENTRY
    tree.entries[first] = begins
    for k in range(count):
        i = tree.running[depth * tree.starts.size + k]
        through = tree.starts[i] + network.durations[i] + tree.longest_lag[i]
        tree.entries[first + 1 + k] = (i << _SLOT_BITS) | through
    if count < RUNNING:
        tree.entries[first + 1 + count] = -1
