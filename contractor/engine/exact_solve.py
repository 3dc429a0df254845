"""Run CP-SAT on a part of a problem, within limits, and say what it gained."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from ortools.sat.python import cp_model

from contractor.engine.exact_model import ExactModel
from contractor.engine.exact_places import Part, Place

__all__ = ["Answer", "Limits", "solve_part"]

_WATCH_SECONDS = 0.05


@dataclass(frozen=True, slots=True)
class Limits:
    """When to stop, and how to search."""

    seconds: float
    workers: int
    seed: int
    cancelled: Callable[[], bool] | None


@dataclass(frozen=True, slots=True)
class Answer:
    """`gain` on the plan at hand and `most_gain` that is possible, in units of the model."""

    places: dict[int, Place]
    gain: int
    most_gain: int
    proven: bool
    status: str


def solve_part(part: Part, scale: int, limits: Limits) -> Answer:
    """Return the best places found for the free activities of `part`; none if no time is left."""
    until = time.monotonic() + limits.seconds
    model = ExactModel(part, scale)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = limits.workers
    solver.parameters.random_seed = limits.seed
    # Both made 16 random problems of up to eight activities 2.5 times as fast: probing asks about
    # every moment on the clock, and the relaxation of such steps says nothing.
    solver.parameters.cp_model_probing_level = 0
    solver.parameters.linearization_level = 0
    solver.parameters.max_time_in_seconds = max(0.0, until - time.monotonic())
    with _watched(solver, limits.cancelled):
        name = solver.status_name(solver.solve(model.model))
    if name == "UNKNOWN":
        return Answer({}, 0, model.cost_now, False, name)
    if name not in ("OPTIMAL", "FEASIBLE"):
        # The plan at hand is a solution, so this is a fault of ours, and must not pass for a proof.
        raise RuntimeError(f"exact model: {name}, though there is a plan: {model.model.validate()}")
    bound = round(solver.best_objective_bound)
    cost = round(solver.objective_value)
    return Answer(
        model.places(solver),
        model.cost_now - cost,
        model.cost_now - bound,
        name == "OPTIMAL",
        name,
    )


@contextmanager
def _watched(solver: cp_model.CpSolver, cancelled: Callable[[], bool] | None) -> Iterator[None]:
    """Stop `solver` from beside it once `cancelled` says so."""
    if cancelled is None:
        yield
        return
    over = threading.Event()

    def watch() -> None:
        while not over.wait(_WATCH_SECONDS):
            if cancelled():
                solver.stop_search()

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    try:
        yield
    finally:
        over.set()
        watcher.join()
