"""Weights under which no activities that can run at the same time weigh more than one whole.

So no schedule is through with activities sooner than the sum of their weights times durations, in
wholes: what the linear program over all sets that can run together gives (Mingozzi, Maniezzo,
Ricciardelli and Bianco 1998, Management Science 44(5), from memory), here its dual. Branch and
bound sums them up as it sums up the work of resources, of which they know more: all of them at
once, and what follows what.
"""

import numpy as np

from contractor.engine.compiled import Floats, Longs, Words
from contractor.engine.project.layout import Layout

__all__ = ["WHOLE", "weights"]

WHOLE = 120
"""A whole in parts: best weights are mostly halves, thirds, quarters or fifths."""
SHARES_LEFT_OUT = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7)
"""Which shares of the activities, the earliest first, count for nearly nothing in each column."""
NEARLY_NOTHING = 0.001
MOST_STEPS = 10_000


def weights(layout: Layout) -> Longs | None:
    """Return weights[n, c] in parts of WHOLE, in columns that each are best for what is left later.

    What takes no time weighs nothing. None where too many sets of activities could run together.
    """
    sets = _largest_sets(layout)
    if sets is None:
        return None
    durations = layout.forward.durations
    order = np.lexsort((-layout.tails, layout.heads))
    columns = []
    program = _Program(sets, (durations > 0).tolist())
    for share in SHARES_LEFT_OUT:
        gains = durations.astype(np.float64)
        gains[order[: round(share * durations.size)]] *= NEARLY_NOTHING
        columns.append(_whole_parts(sets, program.best(gains)))
    return np.array(columns, dtype=np.int64).T


def _largest_sets(layout: Layout) -> list[list[int]] | None:
    """Return all sets of activities that can run together, and no other activity with them.

    None where that takes more than MOST_STEPS.
    """
    network = layout.forward
    size = layout.heads.size
    width = network.guard.size
    guard, capacity = _as_number(network.guard), _as_number(network.capacity)
    needs = [_as_number(network.needs[i * width : (i + 1) * width]) for i in range(size)]
    beside = _beside(layout)
    found: list[list[int]] = []
    takes_time = [i for i in range(size) if network.durations[i] > 0]
    waiting: list[tuple[list[int], int, list[int]]] = [([], capacity, takes_time)]
    for _ in range(MOST_STEPS):
        if not waiting:
            return found
        members, free, others = waiting.pop()
        fitting = [i for i in others if (free - needs[i]) & guard == guard]
        if not fitting and members:
            found.append(members)
        waiting += [
            ([*members, i], free - needs[i], [j for j in fitting if beside[i] >> j & 1])
            for i in fitting
            if not members or i > members[-1]
        ]
    return None


def _as_number(words: Words) -> int:
    return sum(word << (64 * k) for k, word in enumerate(words.tolist()))


def _beside(layout: Layout) -> list[int]:
    """Return the bits of what neither comes before nor behind each activity."""
    size = layout.heads.size
    first, leader = layout.forward.first, layout.forward.leader
    before = np.zeros((size, size), dtype=bool)
    for i in np.argsort(layout.rank):
        for j in leader[first[i] : first[i + 1]]:
            before[i] |= before[j]
            before[i, j] = True
    apart = before | before.T | np.eye(size, dtype=bool)
    return [sum(1 << int(j) for j in np.flatnonzero(~row)) for row in apart]


def _whole_parts(sets: list[list[int]], exact: list[float]) -> list[int]:
    """Return weights in parts of WHOLE, rounded so that no set weighs more than that."""
    parts = [int(weight * WHOLE + 1e-6) for weight in exact]
    for members in sets:
        over = sum(parts[i] for i in members) - WHOLE
        if over > 0:
            heaviest = max(members, key=parts.__getitem__)
            parts[heaviest] -= min(over, parts[heaviest])
    return parts


class _Program:
    """The linear program: weights of at most one for each set, of the most gain."""

    def __init__(self, sets: list[list[int]], takes_time: list[bool]) -> None:
        from ortools.linear_solver.python import model_builder  # slow to load

        self._model = model_builder.Model()  # type: ignore[no-untyped-call]
        self._solver = model_builder.Solver("GLOP")
        self._weights = [self._model.new_num_var(0.0, float(most), "") for most in takes_time]
        for members in sets:
            self._model.add(sum(self._weights[i] for i in members) <= 1.0)

    def best(self, gains: Floats) -> list[float]:
        """Return the weights for the gain of each activity; nothing where none were found."""
        pairs = zip(self._weights, gains.tolist(), strict=True)
        self._model.maximize(sum(gain * weight for weight, gain in pairs))
        status = self._solver.solve(self._model)
        solved = status.name == "OPTIMAL"
        return [self._solver.value(weight) if solved else 0.0 for weight in self._weights]
