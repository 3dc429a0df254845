"""A population search for one project: schedules that recombine, each justified both ways.

An individual is the order of the starts of a justified schedule. A child takes a stretch of the
one parent's order in the order of the other (Hartmann 1998, Naval Research Logistics 45(7)), is
justified (Valls, Ballestín and Quintanilla 2005) and takes the place of the parent that it has
most from, if it is no worse and not there already. All from memory.
"""

from dataclasses import dataclass

import numpy as np

from contractor.engine.compiled import Ints, Longs, Words, by_pointer, kernel
from contractor.engine.project.layout import Layout, Network, Pointed
from contractor.engine.project.passes import Desk, desk, justify

__all__ = ["PASSES", "Population", "breed", "population"]

PASSES = 3
"""Schedules made for each individual, in the measure of the literature."""

SWAPS_PER_CHILD = 4
BORN, ADMITTED, BETTER, BEST = range(4)


@by_pointer
@dataclass(frozen=True, eq=False)
class Population(Pointed):
    """Individuals 0 to `count[ADMITTED]` - 1 (`orders[p * n + k]`, `makespans[p]`, `marks[p]`).

    `count[BORN]` children were made since the start, and `count[BETTER]` of them were better than
    the individual they replaced, since the caller last looked. `best` are the starts of the best
    schedule ever, of makespan `count[BEST]`. `random[1]` is the generator's state, `tokens[n]`
    tell schedules apart; the rest is room to work on.
    """

    orders: Ints
    makespans: Longs
    marks: Words
    count: Longs
    best: Ints
    random: Words
    tokens: Words
    missing: Ints
    ready: Ints


def population(
    layout: Layout, *, size: int, seed: int | np.random.SeedSequence
) -> tuple[Population, Desk]:
    """Return room for `size` individuals, none of them there yet, and a desk to work on."""
    n = layout.heads.size
    random = np.random.default_rng(seed)
    tokens = random.integers(1, 2**63, size=n, dtype=np.uint64)
    state = random.integers(1, 2**63, size=1, dtype=np.uint64)
    count = np.zeros(4, dtype=np.int64)
    count[BEST] = layout.horizon + 1
    room = Population(
        orders=np.zeros(size * n, dtype=np.int32),
        makespans=np.zeros(size, dtype=np.int64),
        marks=np.zeros(size, dtype=np.uint64),
        count=count,
        best=np.zeros(n, dtype=np.int32),
        random=state,
        tokens=tokens,
        missing=np.zeros(n, dtype=np.int32),
        ready=np.zeros(n, dtype=np.int32),
    )
    return room, desk(layout)


@kernel
def _draw(random: Words, below: int) -> int:
    """Return a number from 0 to `below` - 1: xorshift64* (Vigna 2016, from memory)."""
    x = random[0]
    x ^= x >> np.uint64(12)
    x ^= x << np.uint64(25)
    x ^= x >> np.uint64(27)
    random[0] = x
    high = (x * np.uint64(0x2545F4914F6CDD1D)) >> np.uint64(33)
    return int(np.int64((high * np.uint64(below)) >> np.uint64(31)))


@kernel
def _sample(
    forward: Network, backward: Network, tails: Ints, pool: Population, order: Ints
) -> None:
    """Fill `order` with a random order that favors activities with much behind them."""
    missing, ready = pool.missing, pool.ready
    waiting = 0
    for i in range(order.size):
        missing[i] = forward.first[i + 1] - forward.first[i]
        if missing[i] == 0:
            ready[waiting] = i
            waiting += 1
    for k in range(order.size):
        pick = _draw_ready(forward, tails, pool, waiting)
        i = ready[pick]
        waiting -= 1
        ready[pick] = ready[waiting]
        order[k] = i
        for entry in range(backward.first[i], backward.first[i + 1]):
            after = backward.leader[entry]
            missing[after] -= 1
            if missing[after] == 0:
                ready[waiting] = after
                waiting += 1


@kernel
def _draw_ready(forward: Network, tails: Ints, pool: Population, waiting: int) -> int:
    """Draw by the squared regret of leaving out the activity with the most work behind it.

    Drexl (1991), Management Science 37(12), from memory; without randomness for the first order.
    """
    least = tails[pool.ready[0]]
    longest = 0
    for k in range(1, waiting):
        if tails[pool.ready[k]] > tails[pool.ready[longest]]:
            longest = k
        least = min(least, tails[pool.ready[k]])
    if pool.count[BORN] == 0:
        return longest
    total = 0
    for k in range(waiting):
        regret = tails[pool.ready[k]] - least + 1
        total += regret * regret
    rest = _draw(pool.random, total) if total < 1 << 31 else 0
    for k in range(waiting):
        regret = tails[pool.ready[k]] - least + 1
        rest -= regret * regret
        if rest < 0:
            return k
    return longest


@kernel
def _cross(pool: Population, mother: int, father: int, order: Ints) -> None:
    """Fill `order` with the mother's, but for one stretch that stands in the father's order."""
    size = order.size
    length = 1 + _draw(pool.random, size)
    first = _draw(pool.random, size + length - 1) - length + 1
    last = min(first + length, size)
    first = max(first, 0)
    taken, orders = pool.missing, pool.orders
    for i in range(size):
        taken[i] = 0
    for k in range(first):
        order[k] = orders[mother * size + k]
        taken[order[k]] = 1
    k = first
    for position in range(size):
        if k >= last:
            break
        i = orders[father * size + position]
        if not taken[i]:
            taken[i] = 1
            order[k] = i
            k += 1
    for position in range(size):
        i = orders[mother * size + position]
        if not taken[i]:
            order[k] = i
            k += 1


@kernel
def _swap(forward: Network, pool: Population, order: Ints) -> None:
    """Exchange a few neighbors that do not follow one another."""
    if order.size < 2:
        return
    for _ in range(_draw(pool.random, 2 * SWAPS_PER_CHILD + 1)):
        k = _draw(pool.random, order.size - 1)
        i, j = order[k], order[k + 1]
        linked = False
        for entry in range(forward.first[j], forward.first[j + 1]):
            if forward.leader[entry] == i:
                linked = True
        if not linked:
            order[k], order[k + 1] = j, i


@kernel
def _admit(pool: Population, makespan: int, place: int, desk: Desk) -> None:
    """Put the schedule on the desk in `place` if it is no worse than what is there, and new."""
    starts = desk.starts
    if makespan < pool.count[BEST]:
        pool.count[BEST] = makespan
        for i in range(starts.size):
            pool.best[i] = starts[i]
    mark = np.uint64(0)
    for i in range(starts.size):
        mark += pool.tokens[i] * np.uint64(starts[i] + 1)
    admitted = pool.count[ADMITTED]
    if place < admitted and pool.makespans[place] < makespan:
        return
    marks = pool.marks
    for p in range(admitted):
        if marks[p] == mark:
            return
    if place == admitted:
        pool.count[ADMITTED] += 1
    elif makespan < pool.makespans[place]:
        pool.count[BETTER] += 1
    pool.makespans[place] = makespan
    pool.marks[place] = mark
    for k in range(starts.size):
        pool.orders[place * starts.size + k] = desk.order[k]


@kernel
def breed(
    forward: Network, backward: Network, tails: Ints, pool: Population, desk: Desk, children: int
) -> None:
    """Make `children` more individuals: sampled ones at first, then children of those there."""
    size = pool.makespans.size
    for _ in range(children):
        place = pool.count[ADMITTED]
        # Tiny projects have fewer schedules than there are places.
        if place < size and pool.count[BORN] < 2 * size:
            _sample(forward, backward, tails, pool, desk.order)
        else:
            place = _draw(pool.random, pool.count[ADMITTED])
            father = _draw(pool.random, pool.count[ADMITTED])
            other = _draw(pool.random, pool.count[ADMITTED])
            if pool.makespans[other] < pool.makespans[father]:
                father = other
            _cross(pool, place, father, desk.order)
            _swap(forward, pool, desk.order)
        pool.count[BORN] += 1
        makespan = justify(forward, backward, desk)
        _admit(pool, makespan, place, desk)


@kernel
def join(forward: Network, backward: Network, pool: Population, desk: Desk, order: Ints) -> None:
    """Let a schedule from elsewhere take the place of a random individual if it is better."""
    for k in range(order.size):
        desk.order[k] = order[k]
    makespan = justify(forward, backward, desk)
    _admit(pool, makespan, _draw(pool.random, pool.count[ADMITTED]), desk)
