"""The shortest schedule of a project that can be found until told to stop.

Rounds of growing length: in each, one thread goes on with its population, while the other asks the
exact solver whether the best makespan so far can be undercut, or goes on with a population of its
own where that question is beyond the solver. Threads meet only between rounds, so the same seed
and number of individuals give the same schedule, however fast either thread is.
"""

from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from threading import Event
from typing import Any

import numpy as np

from contractor.engine.compiled import Ints
from contractor.engine.project.bounds import lower_bound
from contractor.engine.project.exact import Exact
from contractor.engine.project.islands import SMALLEST, Island
from contractor.engine.project.layout import Layout, lay_out
from contractor.engine.project.plain import PlainProject
from contractor.engine.project.proof import Proof
from contractor.engine.stops import Progress, Stop

__all__ = ["EXACT", "POPULATION", "ProjectResult", "solve", "warm_up"]

POPULATION, EXACT = "population", "exact"

FIRST_ROUND = 20
ROUND_GROWTH = 2
POLL_SECONDS = 0.002


@dataclass(frozen=True, slots=True)
class ProjectResult:
    """The best schedule found: starts in slots from the project's release, and their makespan.

    No schedule is shorter than `bound`; `optimal` says that this one is not longer. `source` tells
    whether the POPULATION or the EXACT solver found it; `iterations` counts individuals.
    """

    starts: tuple[int, ...]
    makespan: int
    bound: int
    optimal: bool
    source: str
    iterations: int


def solve(
    project: PlainProject,
    *,
    stop: Stop,
    seed: int = 1,
    workers: int = 2,
    progress: Progress | None = None,
) -> ProjectResult:
    """Return the best schedule found by up to two `workers` when it is proven or `stop` says so.

    `stop` and `progress` get the individuals made and the best makespan, in slots. At least one
    schedule is made, whatever `stop` says. Raises ValueError where `workers` is below 1.
    """
    if workers < 1:
        raise ValueError(f"workers {workers}: needs at least one")
    return _Search(lay_out(project), stop, seed, min(workers, 2), progress).run()


def warm_up() -> None:
    """Compile the passes, or load what was compiled before, so that no search has to wait."""
    few = np.zeros((1, 3), dtype=np.int64)
    few[0, 1] = 1
    project = PlainProject(
        np.array([2, 2, 2]), np.ones((3, 1), dtype=np.int64), np.ones(1, dtype=np.int64), few
    )
    layout = lay_out(project)
    island = Island(layout, seed=1)
    island.search(1, enough=0, halted=lambda: False)
    island.meet(island.starts)
    Proof(layout, seed=1).attempt(lower=0, below=layout.horizon + 1, children=1)


class _Search:
    """The best schedule so far, the bound, and who looks for better ones."""

    def __init__(
        self, layout: Layout, stop: Stop, seed: int, workers: int, progress: Progress | None
    ) -> None:
        self.layout = layout
        self.stop = stop
        self.progress = progress
        self.seed = seed
        # The second thread's sizes lie between those of the first.
        self.islands = [
            Island(layout, seed=2 * seed + k, smallest=round(SMALLEST * 1.6**k))
            for k in range(workers)
        ]
        self.proof = Proof(layout, seed=seed)
        self.bound = lower_bound(layout)
        self.best = layout.horizon + 1
        self.starts: Ints = layout.heads
        self.source = POPULATION
        self.iterations = 0
        self.halt = Event()

    def run(self) -> ProjectResult:
        self.islands[0].search(FIRST_ROUND, enough=self.bound, halted=lambda: False)
        self.iterations = FIRST_ROUND
        self._take(self.islands[0].starts, self.islands[0].best, POPULATION)
        children = FIRST_ROUND
        with ThreadPoolExecutor(len(self.islands)) as threads:
            while self.best > self.bound and not self._told_to_stop():
                self._round(threads, children)
                children *= ROUND_GROWTH
        unit = self.layout.unit
        return ProjectResult(
            starts=tuple((self.starts * unit).tolist()),
            makespan=self.best * unit,
            bound=self.bound * unit,
            optimal=self.best == self.bound,
            source=self.source,
            iterations=self.iterations,
        )

    def _round(self, threads: ThreadPoolExecutor, children: int) -> None:
        self.halt.clear()
        proving = self.proof.promises(self.bound, self.best)
        searching = self.islands[:1] if proving else self.islands
        asked = threads.submit(self._attempt, children) if proving else None
        searches = [threads.submit(self._breed, island, children) for island in searching]
        self._await(searches, asked)
        self.iterations += children * len(searches)
        for island in searching:
            self._take(island.starts, island.best, POPULATION)
        if asked is not None:
            self._learn(asked.result())
        for island in self.islands:
            if island.best > self.best:
                island.welcome(self.starts)
        if self.progress is not None:
            self.progress(self.iterations, float(self.best * self.layout.unit))

    def _breed(self, island: Island, children: int) -> None:
        island.search(children, enough=self.bound, halted=self.halt.is_set)

    def _attempt(self, children: int) -> Exact:
        return self.proof.attempt(lower=self.bound, below=self.best, children=children)

    def _await(self, searches: list[Future[None]], asked: Future[Exact] | None) -> None:
        """Wait for all, and cut short what no longer matters."""
        pending: set[Future[Any]] = {*searches, *([asked] if asked else [])}
        while pending:
            done, pending = wait(pending, timeout=POLL_SECONDS)
            for task in done:
                task.result()
            stopped = self._told_to_stop()
            reached = any(island.best <= self.bound for island in self.islands)
            if stopped or (asked and asked.done() and asked.result().bound >= self.best):
                self.halt.set()
            if stopped or reached:
                self.proof.cancel()

    def _learn(self, exact: Exact) -> None:
        self.bound = max(self.bound, exact.bound)
        if exact.starts is not None:
            starts = np.array(exact.starts, dtype=np.int32)
            makespan = int((starts + self.layout.forward.durations).max())
            self._take(starts, makespan, EXACT)

    def _take(self, starts: Ints, makespan: int, source: str) -> None:
        if makespan < self.best:
            self.starts, self.best, self.source = starts, makespan, source

    def _told_to_stop(self) -> bool:
        return self.stop(self.iterations, float(self.best * self.layout.unit))
