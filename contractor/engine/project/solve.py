"""The shortest schedule of a project that can be found until told to stop.

Rounds of growing length: in each, one thread goes on with its population, while the other asks the
exact solver whether the best makespan so far can be undercut, or goes on with a population of its
own where that question is beyond the solver. Threads meet only between rounds, so the same seed
and number of individuals give the same schedule, however fast either thread is.
"""

from collections.abc import Sequence
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
from contractor.engine.project.proof import BACKWARD, FORWARD, Proof
from contractor.engine.stops import Progress, Stop

__all__ = ["EXACT", "POPULATION", "ProjectResult", "solve", "warm_up"]

POPULATION, EXACT = "population", "exact"

FIRST_ROUND = 20
ROUND_GROWTH = 2
PROVE_FROM_CHILDREN = 2_000
SEARCHED_BESIDE = 0.1
"""From rounds of so many children on, a small project is mostly left to branch and bound."""
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
        asked: list[Future[Exact]] = []
        if proving and self.proof.small and children >= PROVE_FROM_CHILDREN:
            bred = round(children * SEARCHED_BESIDE)
            asked += [threads.submit(self._attempt, children, (FORWARD,))]
            asked += [threads.submit(self._breed_and_attempt, bred, children)]
            searches = []
        else:
            bred = children
            asked += [threads.submit(self._attempt, children)] if proving else []
            searches = [threads.submit(self._breed, island, bred) for island in searching]
        self._await(searches, asked)
        self.iterations += bred * len(searching)
        for island in searching:
            self._take(island.starts, island.best, POPULATION)
        for answer in asked:
            self._learn(answer.result())
        for island in self.islands:
            if island.best > self.best:
                island.welcome(self.starts)
        if self.progress is not None:
            self.progress(self.iterations, float(self.best * self.layout.unit))

    def _breed(self, island: Island, children: int) -> None:
        island.search(children, enough=self.bound, halted=self.halt.is_set)

    def _attempt(
        self, children: int, sides: Sequence[int] = (FORWARD, BACKWARD), asks: bool = True
    ) -> Exact:
        return self.proof.attempt(
            lower=self.bound, below=self.best, children=children, sides=sides, asks=asks
        )

    def _breed_and_attempt(self, bred: int, children: int) -> Exact:
        self._breed(self.islands[0], bred)
        return self._attempt(children, (BACKWARD,), asks=False)

    def _await(self, searches: list[Future[None]], asked: list[Future[Exact]]) -> None:
        """Wait for all, and cut short what no longer matters.

        That is everything once nothing better than the best schedule is left to find.
        """
        pending: set[Future[Any]] = {*searches, *asked}
        while pending:
            done, pending = wait(pending, timeout=POLL_SECONDS)
            for task in done:
                task.result()
            stopped = self._told_to_stop()
            reached = any(island.best <= self.bound for island in self.islands)
            proven = any(one.done() and one.result().bound >= self.best for one in asked)
            if stopped or proven:
                self.halt.set()
            if stopped or reached or proven:
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
