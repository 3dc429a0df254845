"""The compiled passes over a project: serial schedule generation, and justification both ways.

Serial schedule generation: Kelley (1963); justification: Wiest (1964) and Valls, Ballestín and
Quintanilla (2005), European Journal of Operational Research 165(2); all from memory.
"""

from dataclasses import dataclass

import numpy as np

from contractor.engine.compiled import Ints, Longs, Words, by_pointer, kernel
from contractor.engine.project.layout import Layout, Network, Pointed

__all__ = ["Desk", "desk", "justify", "serial_pass"]


@by_pointer
@dataclass(frozen=True, eq=False)
class Desk(Pointed):
    """Room to work on: `free[horizon * w]` as it is after each pass but for slots before `used[0]`.

    `order[n]` of the next pass; `starts[n]` it gives; the rest is for sorting.
    """

    free: Words
    used: Longs
    order: Ints
    other: Ints
    starts: Ints
    mirrored: Ints
    count: Ints


def desk(layout: Layout) -> Desk:
    """Return an empty desk for passes over `layout`."""
    size = layout.heads.size
    network = layout.forward
    return Desk(
        free=np.tile(network.capacity, layout.horizon + 1),
        used=np.zeros(1, dtype=np.int64),
        order=np.zeros(size, dtype=np.int32),
        other=np.zeros(size, dtype=np.int32),
        starts=np.zeros(size, dtype=np.int32),
        mirrored=np.zeros(size, dtype=np.int32),
        count=np.zeros(layout.horizon + 2, dtype=np.int32),
    )


@kernel
def serial_pass(network: Network, order: Ints, desk: Desk) -> int:
    """Place the activities one by one as early as they fit; return the makespan.

    `order` has every activity behind its leaders. The starts are left in `desk.starts`.
    """
    # Fields are taken out of their objects once, as any write might be to one of them.
    free, starts = desk.free, desk.starts
    durations, needs, guard = network.durations, network.needs, network.guard
    first, leader, lag = network.first, network.leader, network.lag
    width = guard.size
    for t in range(desk.used[0]):
        for w in range(width):
            free[t * width + w] = network.capacity[w]
    makespan = 0
    for k in range(order.size):
        i = order[k]
        start = 0
        for entry in range(first[i], first[i + 1]):
            before = leader[entry]
            start = max(start, starts[before] + durations[before] + lag[entry])
        duration = durations[i]
        if width == 1:
            start = _fit_word(free, needs[i], guard[0], start, duration)
        else:
            start = _fit_words(free, needs, guard, i, start, duration)
        starts[i] = start
        makespan = max(makespan, start + duration)
    desk.used[0] = max(desk.used[0], makespan)
    return makespan


@kernel
def _fit_word(free: Words, needed: np.uint64, guard: np.uint64, start: int, duration: int) -> int:
    """Take the units from the first stretch that has them at or after `start`; return its begin."""
    t = start
    while t < start + duration:
        if ((free[t] - needed) & guard) != guard:
            start = t + 1
        t += 1
    for t in range(start, start + duration):
        free[t] -= needed
    return start


@kernel
def _fit_words(free: Words, needs: Words, guard: Words, i: int, start: int, duration: int) -> int:
    width = guard.size
    t = start
    while t < start + duration:
        for w in range(width):
            if ((free[t * width + w] - needs[i * width + w]) & guard[w]) != guard[w]:
                start = t + 1
        t += 1
    for t in range(start, start + duration):
        for w in range(width):
            free[t * width + w] -= needs[i * width + w]
    return start


@kernel
def _mirror(network: Network, order: Ints, makespan: int, desk: Desk, into: Ints) -> None:
    """Sort by finish, last first, into `into`; followers stay in front of what they follow."""
    count, mirrored, starts, durations = (desk.count, desk.mirrored, desk.starts, network.durations)
    for t in range(makespan + 2):
        count[t] = 0
    for i in range(order.size):
        mirrored[i] = makespan - starts[i] - durations[i]
        count[mirrored[i] + 1] += 1
    for t in range(makespan + 1):
        count[t + 1] += count[t]
    for k in range(order.size - 1, -1, -1):
        i = order[k]
        into[count[mirrored[i]]] = i
        count[mirrored[i]] += 1


@kernel
def _sort_by_start(order: Ints, makespan: int, desk: Desk, into: Ints) -> None:
    count, starts = desk.count, desk.starts
    for t in range(makespan + 2):
        count[t] = 0
    for i in range(order.size):
        count[starts[i] + 1] += 1
    for t in range(makespan + 1):
        count[t + 1] += count[t]
    for k in range(order.size):
        i = order[k]
        into[count[starts[i]]] = i
        count[starts[i]] += 1


@kernel
def justify(forward: Network, backward: Network, desk: Desk) -> int:
    """Schedule `desk.order`, push all to the right, then to the left; return the makespan.

    `desk.starts` and `desk.order`, sorted by start, are those of the last pass. No pass is longer
    than the one before it.
    """
    makespan = serial_pass(forward, desk.order, desk)
    _mirror(forward, desk.order, makespan, desk, desk.other)
    makespan = serial_pass(backward, desk.other, desk)
    _mirror(forward, desk.other, makespan, desk, desk.order)
    makespan = serial_pass(forward, desk.order, desk)
    _sort_by_start(desk.order, makespan, desk, desk.other)
    for k in range(desk.order.size):
        desk.order[k] = desk.other[k]
    return makespan
