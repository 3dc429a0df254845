"""Improve a plan by ruin and recreate until told to stop.

The search proposes, the decoder owns the dates: what is returned is one pass of the decoder over
the order and the modes that were found. Two walks with seeds of their own may run side by side.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from contractor.engine.compiled import Ints
from contractor.engine.dates import dates_of
from contractor.engine.decode import to_schedule
from contractor.engine.objective import Objective, objective
from contractor.engine.occupancy import new_state
from contractor.engine.passes import order_by_start, pass_exactly, pass_into
from contractor.engine.placing import Pass
from contractor.engine.prepared import NONE, Layout, prepare
from contractor.engine.pricing import price_of_all
from contractor.engine.problem import Problem
from contractor.engine.recreate import step_many
from contractor.engine.schedule import Schedule
from contractor.engine.state import State
from contractor.engine.stops import AnyStop, CancelStop, IterationStop, Progress, SecondsStop, Stop
from contractor.engine.walk import Walk, keep_best, new_walk, stand_at
from contractor.engine.worktime import HorizonExceeded

__all__ = [
    "AnyStop",
    "CancelStop",
    "Improved",
    "IterationStop",
    "Progress",
    "SecondsStop",
    "Stop",
    "search",
]

STEPS_AT_ONCE = 50
"""So few that a stop is heeded within some milliseconds, so many that Python costs nothing."""
ROUNDS_TO_SETTLE = 40
"""After so many rounds all is decoded anew, so that gaps which others left are used."""
HOT, COLD = 5000.0, 5.0
"""By how much a step may make the plan worse in the mean, at the beginning and at the end: some
days of broken promises, and of waiting for a finish; our own choice, by trial."""
SHARE_HOT = 0.3
"""Never hotter at the beginning than this share of what a job costs in the mean."""


@dataclass(frozen=True, slots=True)
class Improved:
    """The best schedule found, its cost, and the iterations it took to stop."""

    schedule: Schedule
    objective: Objective
    iterations: int


def search(
    problem: Problem,
    start: Schedule,
    *,
    stop: Stop,
    seed: int,
    progress: Progress | None = None,
    workers: int = 1,
    others: Sequence[Schedule] = (),
) -> Improved:
    """Return the best of `start` and all that the search tries until `stop` says so.

    `iterations` are those of one walk; each of `workers` walks makes as many. The first walk sets
    out from `start`, the next ones from `others`, in turn.
    """
    best = objective(problem, start)
    layout = prepare(problem)
    walks = _walks(layout, (start, *others), seed, workers)
    if not walks:
        return Improved(start, best, 0)
    # What is much for a few small jobs is little for a season that is late.
    hot = min(HOT, max(SHARE_HOT * best.total / max(len(problem.jobs), 1), COLD))
    iterations = 0
    rounds = 0
    with ThreadPoolExecutor(len(walks)) as threads:
        while not stop(iterations, min(walk.best for walk in walks)):
            heat = hot * (COLD / hot) ** stop.used(iterations)
            steps = [threads.submit(walk.go, heat) for walk in walks]
            for step in steps:
                step.result()
            iterations += STEPS_AT_ONCE
            rounds += 1
            if rounds % ROUNDS_TO_SETTLE == 0:
                for walk in walks:
                    walk.settle(tightens=rounds % (2 * ROUNDS_TO_SETTLE) == 0)
            if progress is not None:
                progress(iterations, min(walk.best for walk in walks))
    found = min(walks, key=lambda walk: walk.best)
    if found.best >= best.total - 1e-6:
        return Improved(start, best, iterations)
    schedule = found.schedule(problem)
    cost = objective(problem, schedule)
    if cost.total >= best.total:
        return Improved(start, best, iterations)
    return Improved(schedule, cost, iterations)


def _walks(layout: Layout, starts: Sequence[Schedule], seed: int, workers: int) -> list["_Walker"]:
    if not layout.size:
        return []
    return [
        _Walker(layout, starts[number % len(starts)], seed + 1_000_003 * number)
        for number in range(workers)
    ]


class _Walker:
    """One walk from plan to plan."""

    def __init__(self, layout: Layout, start: Schedule, seed: int) -> None:
        self.layout = layout
        self.state = new_state(layout)
        self.spare = new_state(layout)
        placed = start.placed
        pass_exactly(
            layout,
            self.state,
            np.array([p.mode if p else NONE for p in placed], dtype=np.int32),
            np.array([p.start if p else 0 for p in placed], dtype=np.int32),
        )
        self.state.not_before[:] = 0
        self.walk: Walk = new_walk(layout, self.state, seed)
        self.how = Pass(layout.change_crew_slots, False, False, True, False)

    @property
    def best(self) -> float:
        """Return the total of the best plan so far."""
        return float(self.walk.total[1])

    def go(self, heat: float) -> None:
        """Take some steps."""
        step_many(self.layout, self.state, self.how, self.walk, STEPS_AT_ONCE, heat)

    def settle(self, *, tightens: bool) -> None:
        """Decode the plan as it stands anew, and stand at that if it costs no more."""
        state = self.state
        if not _decode_into(
            self.layout, self.spare, state.mode, state.start, state.begins_by_job, tightens
        ):
            return
        if price_of_all(self.layout, self.spare) <= self.walk.total[0]:
            self.state, self.spare = self.spare, self.state
            stand_at(self.layout, self.state, self.walk)
            if self.walk.total[0] < self.walk.total[1]:
                keep_best(self.layout, self.state, self.walk)

    def schedule(self, problem: Problem) -> Schedule:
        """Return the best plan as the decoder makes it."""
        layout, walk, state = self.layout, self.walk, self.spare
        best = walk.best_mode, walk.best_start, walk.best_begins
        if not any(
            _decode_into(layout, state, *best, tightens)
            and price_of_all(layout, state) <= self.best + 1e-6
            for tightens in (True, False)
        ):
            pass_exactly(layout, state, walk.best_mode, walk.best_start)
        return to_schedule(problem, dates_of(layout, state))


def _decode_into(
    layout: Layout, state: State, mode: Ints, start: Ints, begins: Ints, tightens: bool
) -> bool:
    """Run a pass in the order of `start` with the same modes; return whether it fits the axis."""
    state.begins_by_job[:] = begins
    position = order_by_start(layout, start)
    try:
        pass_into(layout, state, position, mode_choice=mode, tightens=tightens)
    except HorizonExceeded:
        return False
    return True
