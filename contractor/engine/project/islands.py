"""Populations of growing size, one after the other, in one thread of a search.

A small population is through soon and stays behind a large one in the end (measured: with 50, 150
and 450 individuals the same mean is reached after about 20, 100 and 400 thousand schedules). So
each starts afresh when the one before has nothing more to gain, and near its own end takes in the
best from elsewhere.
"""

from collections.abc import Callable

import numpy as np

from contractor.engine.compiled import Ints
from contractor.engine.project.layout import Layout
from contractor.engine.project.population import (
    BEST,
    BETTER,
    BORN,
    breed,
    join,
    population,
)

__all__ = ["Island"]

SMALLEST = 30
GROWTH = 2.5
MOST = 20_000
LEAST_BETTER = 0.02
LOOK_EVERY = 10
SLICE_SLOTS = 20_000


class Island:
    """A search that goes on where it stopped, the same for the same seed and numbers of children.

    `best` is the shortest makespan so far, in units of the layout, and `starts` the schedule.
    """

    def __init__(self, layout: Layout, *, seed: int, smallest: int = SMALLEST) -> None:
        self._layout = layout
        self._seeds = np.random.SeedSequence(seed)
        self._size = smallest
        self._slice = max(1, SLICE_SLOTS // layout.heads.size)
        self._guests: list[Ints] = []
        self.best = layout.horizon + 1
        self.starts: Ints = layout.heads
        self._settle()

    def search(self, children: int, *, enough: int, halted: Callable[[], bool]) -> None:
        """Make `children` more individuals, fewer once `best` is `enough` or `halted` says so."""
        left = children
        while left > 0 and self.best > enough and not halted():
            asked = min(left, self._slice, self._next_look - int(self._pool.count[BORN]))
            breed(*self._network, self._pool, self._desk, asked)
            left -= asked
            self._keep_best()
            if self._pool.count[BORN] >= self._next_look:
                self._look()

    def welcome(self, starts: Ints) -> None:
        """Keep a schedule found elsewhere, to be taken in when the population is nearly through."""
        self._guests.append(starts)

    def meet(self, starts: Ints) -> None:
        """Let a schedule take the place of an individual at once."""
        order = np.lexsort((self._layout.rank, starts)).astype(np.int32)
        join(*self._network[:2], self._pool, self._desk, order)
        self._keep_best()

    def _settle(self) -> None:
        (seed,) = self._seeds.spawn(1)
        self._pool, self._desk = population(self._layout, size=self._size, seed=seed)
        layout = self._layout
        self._network = (layout.forward, layout.backward, layout.tails)
        self._next_look = (1 + LOOK_EVERY) * self._size
        self._joined = False

    def _look(self) -> None:
        """Once too few children are better than a parent, take in the guests; then move on."""
        self._next_look += LOOK_EVERY * self._size
        better = int(self._pool.count[BETTER])
        self._pool.count[BETTER] = 0
        if better > LEAST_BETTER * self._size:
            return
        if not self._joined and self._guests:
            self._joined = True
            for starts in self._guests:
                self.meet(starts)
            self._guests = []
            return
        self._guests.append(self.starts)
        self._size = min(MOST, round(GROWTH * self._size))
        self._settle()

    def _keep_best(self) -> None:
        if self._pool.count[BEST] < self.best:
            self.best = int(self._pool.count[BEST])
            self.starts = self._pool.best.copy()
