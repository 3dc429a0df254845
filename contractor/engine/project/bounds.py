"""What no schedule of a project can be shorter than, from precedence and from the work to do."""

import numpy as np

from contractor.engine.compiled import Longs
from contractor.engine.project.layout import Layout

__all__ = ["lower_bound"]


def lower_bound(layout: Layout) -> int:
    """Return a makespan that none falls below, in units of `layout`.

    The longer of the critical path and, for every set of activities that can start no earlier than
    a and leave no less than b behind them, of a + b + their work on one resource over its
    capacity.
    """
    durations = layout.forward.durations
    bound = int((layout.heads + durations + layout.tails).max())
    grid = _Grid(layout)
    for r, capacity in enumerate(layout.capacities.tolist()):
        for units in _rounded(layout.demands[:, r].astype(np.int64), capacity):
            bound = max(bound, grid.bound(units * durations, capacity))
    return bound


def _rounded(demands: Longs, capacity: int) -> list[Longs]:
    """Return the demands as they are and as larger ones whose sums fit wherever theirs do.

    Beside an activity that takes more than all but t units only those below t fit: leave these
    out, and the large one may count as whole. Fekete and Schepers (2001), Mathematical Programming
    91, function U (from memory).
    """
    small = demands[(demands > 0) & (2 * demands <= capacity)]
    large = demands[2 * demands > capacity]
    rounded = [demands]
    for least in np.unique(np.concatenate([small + 1, capacity - large + 1])).tolist():
        if 2 * least <= capacity + 1:
            whole = np.where(demands > capacity - least, capacity, demands)
            rounded.append(np.where(demands < least, 0, whole))
    return rounded


class _Grid:
    """Activities by their head and tail, for sums over all that have no less of either."""

    def __init__(self, layout: Layout) -> None:
        self.heads, self.row = np.unique(layout.heads, return_inverse=True)
        self.tails, self.column = np.unique(layout.tails, return_inverse=True)

    def bound(self, work: Longs, capacity: int) -> int:
        sums = np.zeros((self.heads.size, self.tails.size), dtype=np.int64)
        np.add.at(sums, (self.row, self.column), work)
        sums = sums[::-1, ::-1].cumsum(axis=0).cumsum(axis=1)[::-1, ::-1]
        slots = -(-sums // capacity) + self.heads[:, None] + self.tails[None, :]
        return int(slots.max(initial=0, where=sums > 0))
