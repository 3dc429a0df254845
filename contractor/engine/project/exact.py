"""Whether a project can end sooner, asked of OR-Tools' CP-SAT.

The best schedule known is never given to the solver: it looks only for a better one, within the
heads and tails that a better one leaves.
"""

import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING

from contractor.engine.project.layout import Layout

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

__all__ = ["Exact", "Question"]


@dataclass(frozen=True, slots=True)
class Exact:
    """A schedule below the makespan asked for, or None; and a bound on all schedules.

    `exhausted` says that there is nothing shorter than `bound`.
    """

    starts: tuple[int, ...] | None
    bound: int
    exhausted: bool


class Question:
    """One run of the solver, which another thread may cut short."""

    def __init__(self) -> None:
        self._solver: cp_model.CpSolver | None = None
        self._cancelled = threading.Event()

    def cancel(self) -> None:
        """End the run; call again until it has ended, as a run not yet begun cannot be told."""
        self._cancelled.set()
        if self._solver is not None:
            self._solver.stop_search()

    def ask(self, layout: Layout, *, lower: int, below: int, effort: float, seed: int) -> Exact:
        """Look for a makespan from `lower` to `below` - 1 with the solver's `effort`.

        `effort` is in units of the solver's own deterministic time, so that a run finds the same
        on any computer.
        """
        from ortools.sat.python import cp_model  # slow to load

        model, starts = _model(layout, lower=lower, below=below)
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 1
        solver.parameters.random_seed = seed
        solver.parameters.max_deterministic_time = effort
        self._solver = solver
        if self._cancelled.is_set():
            return Exact(None, lower, exhausted=False)
        status = solver.status_name(solver.solve(model))
        if status == "INFEASIBLE":
            return Exact(None, below, exhausted=True)
        bound = min(below, max(lower, round(solver.best_objective_bound)))
        if status not in ("OPTIMAL", "FEASIBLE"):
            return Exact(None, bound, exhausted=False)
        found = tuple(int(solver.value(start)) for start in starts)
        return Exact(found, bound, exhausted=status == "OPTIMAL")


def _model(
    layout: Layout, *, lower: int, below: int
) -> "tuple[cp_model.CpModel, list[cp_model.IntVar]]":
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    network = layout.forward
    durations = network.durations.tolist()
    latest = (below - 1 - layout.tails - network.durations).tolist()
    starts = [
        model.new_int_var(head, last, "")
        for head, last in zip(layout.heads.tolist(), latest, strict=True)
    ]
    makespan = model.new_int_var(lower, below - 1, "")
    for i, start in enumerate(starts):
        for entry in range(network.first[i], network.first[i + 1]):
            before = int(network.leader[entry])
            model.add(start >= starts[before] + durations[before] + int(network.lag[entry]))
        if layout.backward.first[i] == layout.backward.first[i + 1]:
            model.add(makespan >= start + durations[i])
    for r, capacity in enumerate(layout.capacities.tolist()):
        demands = layout.demands[:, r].tolist()
        users = [i for i, demand in enumerate(demands) if demand]
        intervals = [model.new_fixed_size_interval_var(starts[i], durations[i], "") for i in users]
        if capacity == 1:
            model.add_no_overlap(intervals)
        else:
            model.add_cumulative(intervals, [demands[i] for i in users], capacity)
    model.minimize(makespan)
    return model, starts
