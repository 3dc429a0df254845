"""Run CP-SAT on a part of a problem, within limits, and say what it gained."""

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass

from ortools.sat.python import cp_model

from contractor.engine.exact_model import ExactModel
from contractor.engine.exact_places import Part, Place

__all__ = ["Answer", "Limits", "solve_part"]

_WATCH_SECONDS = 0.05


@dataclass(frozen=True, slots=True)
class Limits:
    """When to stop, and how to search. `effort` is in the solver's own deterministic time."""

    seconds: float
    effort: float | None
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
    # Once over is enough: as many of 24 parts of portfolios were solved, in 0.85 of the time.
    solver.parameters.max_presolve_iterations = 1
    if limits.effort is not None:
        solver.parameters.max_deterministic_time = limits.effort
    solver.parameters.max_time_in_seconds = max(0.0, until - time.monotonic())
    name = _solve(solver, model.model, limits.cancelled)
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


def _solve(
    solver: cp_model.CpSolver, model: cp_model.CpModel, cancelled: Callable[[], bool] | None
) -> str:
    """Solve `model`, stopping early once `cancelled` says so; return the status by name.

    It is asked in the caller's own thread and the solver runs beside it: what a caller asks may
    belong to its thread, as a database connection does.
    """
    if cancelled is None:
        return solver.status_name(solver.solve(model))
    with ThreadPoolExecutor(1) as beside:
        answer = beside.submit(solver.solve, model)
        try:
            # A search may end before this thread looks for the first time: it is asked even then.
            while True:
                if cancelled():
                    solver.stop_search()
                if wait((answer,), timeout=_WATCH_SECONDS).done:
                    break
        except BaseException:
            solver.stop_search()
            raise
        return solver.status_name(answer.result())
