"""The peers: CP-SAT on the same portfolio, plain, and with a known plan as a complete hint.

Written from the OR-Tools guide to scheduling (from memory): fixed intervals where there is one
mode, optional ones where a crew is chosen, no-overlap for one unit and cumulative for more. Both
get domains cut by heads and tails and by a horizon a tenth beyond the known plan's. Both run twice,
with as many workers as cores and with more, and are charged neither for building the model nor for
the worse run. The one with the hint keeps the known plan if it finds no better.
"""

from collections import defaultdict
from dataclasses import dataclass
from math import inf
from typing import Any

from ortools.sat.python import cp_model

from contractor.engine.check import check
from contractor.engine.decode import decode
from contractor.engine.objective import Objective, objective
from contractor.engine.problem import Problem
from contractor.engine.schedule import Schedule
from tests.bench.portfolio_coarse import (
    Coarse,
    CoarsePlan,
    heads,
    plan_in_order,
    tails,
    weighted_days_late,
)
from tests.bench.portfolio_first_come import place_without_reason
from tests.bench.portfolio_specialists import HALF_DAY

WORKERS = (2, 8)
"""One for each core, and the least with which CP-SAT runs all its strategies (its troubleshooting
guide, from memory). On some portfolios the first does better and on some the second, so a peer is
given its seconds with each and keeps the better plan.
"""
SEED = 1
HORIZON_BEYOND_KNOWN_PLAN = 1.1


@dataclass(frozen=True, slots=True)
class PeerResult:
    """What a peer found: its solver's status, and the plan, scored and checked as ours are."""

    workers: int
    status: str
    solver_seconds: float
    coarse_days_late: int | None
    cost: Objective | None
    violations: int


class Model:
    """A coarse problem in CP-SAT. It minimises weighted whole days late."""

    def __init__(self, coarse: Coarse, *, horizon: int) -> None:
        self.coarse = coarse
        self.model = cp_model.CpModel()
        self.start: list[Any] = []
        self.end: list[Any] = []
        self.size: dict[int, Any] = {}
        self.present: list[list[Any]] = []
        self.day: dict[int, Any] = {}
        self.late: list[Any] = []
        self._on_resource: dict[int, list[Any]] = defaultdict(list)
        first, rest = heads(coarse), tails(coarse)
        for i in range(len(coarse.tasks)):
            self._add_task(i, first[i], horizon - rest[i])
        for before, after, lag in coarse.links:
            self.model.add(self.start[after] >= self.end[before] + lag)
        for resource, intervals in self._on_resource.items():
            if coarse.capacity[resource] == 1:
                self.model.add_no_overlap(intervals)
            else:
                self.model.add_cumulative(
                    intervals, [1] * len(intervals), coarse.capacity[resource]
                )
        self._add_objective(horizon)

    def hint(self, plan: CoarsePlan) -> None:
        """Give every variable its value in `plan`."""
        coarse = self.coarse
        ends = [0] * len(coarse.jobs)
        for i, task in enumerate(coarse.tasks):
            finish = plan.finish(coarse, i)
            ends[task.job] = max(ends[task.job], finish)
            self.model.add_hint(self.start[i], plan.start[i])
            if i in self.day:
                self.model.add_hint(self.day[i], plan.start[i] // coarse.steps_per_day)
            if i in self.size:
                self.model.add_hint(self.size[i], finish - plan.start[i])
                self.model.add_hint(self.end[i], finish)
            for mode, present in enumerate(self.present[i]):
                self.model.add_hint(present, mode == plan.mode[i])
        for job, late, end in zip(coarse.jobs, self.late, ends, strict=True):
            self.model.add_hint(late, max(0, -((job.due - end) // coarse.steps_per_day)))

    def solve(
        self, seconds: float, *, workers: int = WORKERS[0]
    ) -> tuple[str, float, CoarsePlan | None]:
        """Return the status, the seconds taken and the best plan found, if there is one."""
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = workers
        solver.parameters.random_seed = SEED
        solver.parameters.max_time_in_seconds = seconds
        status = solver.solve(self.model)
        plan = None
        if status in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            plan = CoarsePlan(
                tuple(solver.value(start) for start in self.start),
                tuple(
                    next((m for m, p in enumerate(choice) if solver.boolean_value(p)), 0)
                    for choice in self.present
                ),
            )
        return solver.status_name(status).lower(), solver.wall_time, plan

    def _add_task(self, i: int, earliest: int, latest: int) -> None:
        task, model = self.coarse.tasks[i], self.model
        start = model.new_int_var(earliest, latest, f"start {i}")
        self.start.append(start)
        self.present.append([])
        if task.as_day_begins:
            steps = self.coarse.steps_per_day
            self.day[i] = model.new_int_var(earliest // steps, latest // steps + 1, f"day {i}")
            model.add(start == steps * self.day[i])
        if len(task.modes) == 1:
            (mode,) = task.modes
            self.end.append(start + mode.steps)
            if mode.uses:
                interval = model.new_fixed_size_interval_var(start, mode.steps, f"work {i}")
                for resource in mode.uses:
                    self._on_resource[resource].append(interval)
            return
        self._add_choice(i, start, earliest, latest)

    def _add_choice(self, i: int, start: Any, earliest: int, latest: int) -> None:
        """Add a task that one of several crews does, each taking its own time.

        Machines that every mode uses see one interval, whoever it is.
        """
        task, model = self.coarse.tasks[i], self.model
        steps = sorted({mode.steps for mode in task.modes})
        size = model.new_int_var_from_domain(cp_model.Domain.from_values(steps), f"size {i}")
        end = model.new_int_var(earliest + steps[0], latest + steps[-1], f"end {i}")
        self.size[i] = size
        self.end.append(end)
        whole = model.new_interval_var(start, size, end, f"work {i}")
        shared = set.intersection(*(set(mode.uses) for mode in task.modes))
        for resource in sorted(shared):
            self._on_resource[resource].append(whole)
        for number, mode in enumerate(task.modes):
            present = model.new_bool_var(f"mode {i} {number}")
            self.present[i].append(present)
            interval = model.new_optional_interval_var(
                start, mode.steps, end, present, f"work {i} {number}"
            )
            model.add(size == mode.steps).only_enforce_if(present)
            for resource in mode.uses:
                if resource not in shared:
                    self._on_resource[resource].append(interval)
        model.add_exactly_one(self.present[i])

    def _add_objective(self, horizon: int) -> None:
        steps = self.coarse.steps_per_day
        self.late = [
            self.model.new_int_var(0, max(0, -((job.due - horizon) // steps)), f"late {j}")
            for j, job in enumerate(self.coarse.jobs)
        ]
        leads = {before for before, _, _ in self.coarse.links}
        for i, task in enumerate(self.coarse.tasks):
            if i not in leads:
                due = self.coarse.jobs[task.job].due
                self.model.add(steps * self.late[task.job] >= self.end[i] - due)
        self.model.minimize(
            sum(job.weight * late for job, late in zip(self.coarse.jobs, self.late, strict=True))
        )


def cp_sat(
    problem: Problem, coarse: Coarse, known: Schedule, *, seconds: float, hinted: bool
) -> PeerResult:
    """Return the best that CP-SAT makes of `coarse`, given `seconds` with each of WORKERS.

    `known` is a plan that was made at once.
    """
    results = [
        _cp_sat(problem, coarse, known, seconds=seconds, hinted=hinted, workers=workers)
        for workers in WORKERS
    ]
    return min(results, key=lambda found: inf if found.cost is None else found.cost.total)


def _cp_sat(
    problem: Problem,
    coarse: Coarse,
    known: Schedule,
    *,
    seconds: float,
    hinted: bool,
    workers: int,
) -> PeerResult:
    hint = _coarse_plan(coarse, known)
    end = max(hint.finish(coarse, i) for i in range(len(coarse.tasks)))
    model = Model(coarse, horizon=round(end * HORIZON_BEYOND_KNOWN_PLAN))
    if hinted:
        model.hint(hint)
    status, took, found = model.solve(seconds, workers=workers)
    schedules = [known] if hinted else []
    if found is not None:
        schedules += _timed(problem, coarse, found)
    if not schedules:
        return PeerResult(workers, status, took, None, None, 0)
    best = min(schedules, key=lambda schedule: objective(problem, schedule).total)
    return PeerResult(
        workers,
        status,
        took,
        None if found is None else weighted_days_late(coarse, found),
        objective(problem, best),
        len(check(problem, best)),
    )


def _coarse_plan(coarse: Coarse, known: Schedule) -> CoarsePlan:
    """Return a plan in steps: its crews, and its order of starts."""
    placed = [place for place in known.placed if place is not None]
    order = sorted(placed, key=lambda place: (place.start, place.activity))
    return plan_in_order(
        coarse, [place.activity for place in order], [place.mode for place in placed]
    )


def _timed(problem: Problem, coarse: Coarse, plan: CoarsePlan) -> list[Schedule]:
    """Return the plan as it is where steps are exact, and as the engine's decoder times it."""
    size = len(coarse.tasks)
    order = sorted(range(size), key=lambda i: (plan.start[i], i))
    crews = {
        i: crew
        for i, mode in enumerate(plan.mode)
        if (crew := problem.activities[i].modes[mode].crew) is not None
    }
    schedules = [decode(problem, order, crew_choice=crews)]
    if coarse.exact:
        places = tuple(
            place_without_reason(
                i, plan.mode[i], plan.start[i] * HALF_DAY, plan.finish(coarse, i) * HALF_DAY
            )
            for i in range(size)
        )
        schedules.append(Schedule(places, (), ()))
    return schedules
