"""Single projects from PSPLIB `.sm` files through the engine, beside general solvers.

    python -m tests.bench.rcpsp DIR --seconds 5 --workers 2 --peers --json

PSPLIB: Kolisch and Sprecher (1997), European Journal of Operational Research 96, 205-216. One slot
stands for one period. Best known makespans are read from `best_known.csv` in DIR or above it, from
its columns `instance` and `ub_best`; an instance without one is held against the best makespan of
the run. Every schedule is checked here, apart from the engine.
"""

import argparse
import csv
import json
import re
import sys
import time as clock
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from contractor.engine.planner import plan
from contractor.engine.problem import Activity, Job, Link, Mode, Problem, Resource
from contractor.engine.stops import SecondsStop
from contractor.engine.warm import warm_up
from contractor.engine.worktime import SLOTS_PER_DAY, Axis, always_open

ORIGIN = datetime(2026, 3, 2, tzinfo=UTC)
OPTIMAL, FEASIBLE, NONE = "optimal", "feasible", "none"


@dataclass(frozen=True, slots=True)
class Instance:
    """Durations, demands[i][r], capacities[r] and followers[i]; source and sink left out."""

    name: str
    durations: tuple[int, ...]
    demands: tuple[tuple[int, ...], ...]
    capacities: tuple[int, ...]
    followers: tuple[tuple[int, ...], ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """What a solver says: starts, or None without a schedule, and the bound it has proven."""

    starts: Sequence[int] | None
    bound: int
    optimal: bool


def read_instance(path: Path) -> Instance:
    """Return the single-mode instance of a PSPLIB `.sm` file. Raises ValueError for another."""
    text = path.read_text(encoding="ascii", errors="replace")
    relations = list(_rows(path, text, "PRECEDENCE RELATIONS", skip=1))
    requests = list(_rows(path, text, "REQUESTS/DURATIONS", skip=2))
    capacities = tuple(next(_rows(path, text, "RESOURCEAVAILABILITIES", skip=1)))
    if any(row[1] != 1 for row in relations) or len(relations) != len(requests):
        raise ValueError(f"{path}: not one mode for each job; give a single-mode .sm file")
    size = len(requests)
    inner = range(2, size)  # the first and the last job are the source and the sink
    return Instance(
        name=path.name,
        durations=tuple(requests[job - 1][2] for job in inner),
        demands=tuple(tuple(requests[job - 1][3:]) for job in inner),
        capacities=capacities,
        followers=tuple(
            tuple(after - 2 for after in relations[job - 1][3:] if after != size) for job in inner
        ),
    )


def _rows(path: Path, text: str, heading: str, *, skip: int) -> Iterator[list[int]]:
    _, found, rest = text.partition(heading)
    if not found:
        raise ValueError(f"{path}: has no {heading}; give a PSPLIB .sm file")
    for line in rest.splitlines()[1 + skip :]:
        if not re.fullmatch(r"[\d\s]+", line):
            return
        yield [int(word) for word in line.split()]


def as_problem(instance: Instance) -> Problem:
    """Return `instance` as a planning problem of one job, without crews, open all the time."""
    axis = Axis(ORIGIN, sum(instance.durations) + 1)
    return Problem(
        axis=axis,
        now=0,
        calendars=(always_open("open", axis),),
        resources=tuple(
            Resource(f"r{r}", f"R {r + 1}", capacity)
            for r, capacity in enumerate(instance.capacities)
        ),
        activities=tuple(
            Activity(f"a{i}", 0, (Mode(None, duration, 0, _machines(needs)),))
            for i, (duration, needs) in enumerate(
                zip(instance.durations, instance.demands, strict=True)
            )
        ),
        links=tuple(
            Link(before, after) for before, row in enumerate(instance.followers) for after in row
        ),
        waits=(),
        jobs=(Job("project"),),
    )


def _machines(needs: Sequence[int]) -> tuple[int, ...]:
    return tuple(r for r, units in enumerate(needs) for _ in range(units))


def engine(instance: Instance, seconds: float, workers: int) -> Answer:
    """Solve through the planning engine."""
    found = plan(as_problem(instance), stop=SecondsStop(seconds), seed=1, workers=workers)
    starts = [placed.start for placed in found.schedule.placed if placed]
    bound = 0 if found.bound is None else round(found.bound.finish_days * SLOTS_PER_DAY)
    return Answer(starts, bound, found.optimal)


def plain_cp_sat(instance: Instance, seconds: float, workers: int) -> Answer:
    """Solve the plain model in OR-Tools CP-SAT: fixed intervals, cumulatives, makespan."""
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    horizon = sum(instance.durations)
    starts = [model.new_int_var(0, horizon, "") for _ in instance.durations]
    makespan = model.new_int_var(0, horizon, "")
    intervals = [
        model.new_fixed_size_interval_var(start, duration, "")
        for start, duration in zip(starts, instance.durations, strict=True)
    ]
    for i, row in enumerate(instance.followers):
        model.add(makespan >= starts[i] + instance.durations[i])
        for after in row:
            model.add(starts[after] >= starts[i] + instance.durations[i])
    for r, capacity in enumerate(instance.capacities):
        model.add_cumulative(intervals, [needs[r] for needs in instance.demands], capacity)
    model.minimize(makespan)
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = workers
    solver.parameters.random_seed = 1
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Answer(None, 0, optimal=False)
    return Answer(
        [solver.value(start) for start in starts],
        round(solver.best_objective_bound),
        status == cp_model.OPTIMAL,
    )


def pyjobshop(instance: Instance, seconds: float, workers: int) -> Answer:
    """Solve with the PyJobShop library."""
    from pyjobshop import Model

    model = Model()
    resources = [model.add_renewable(capacity) for capacity in instance.capacities]
    tasks = [model.add_task() for _ in instance.durations]
    for task, duration, needs in zip(tasks, instance.durations, instance.demands, strict=True):
        used = [(resource, need) for resource, need in zip(resources, needs, strict=True) if need]
        model.add_mode(task, [r for r, _ in used], duration, [need for _, need in used])
    for task, row in zip(tasks, instance.followers, strict=True):
        for after in row:
            model.add_end_before_start(task, tasks[after])
    found = model.solve(time_limit=seconds, display=False, num_workers=workers, random_seed=1)
    if not found.best.tasks:
        return Answer(None, 0, optimal=False)
    starts = [task.start for task in found.best.tasks]
    return Answer(starts, round(found.lower_bound), found.status.name == "OPTIMAL")


Solver = Callable[[Instance, float, int], Answer]
ENGINE = "engine"
PEERS: dict[str, Solver] = {"cp_sat": plain_cp_sat, "pyjobshop": pyjobshop}


def faults(instance: Instance, starts: Sequence[int]) -> list[str]:
    """Return what is wrong with `starts`, period by period."""
    found = []
    ends = [start + d for start, d in zip(starts, instance.durations, strict=True)]
    for before, row in enumerate(instance.followers):
        found += [f"{after} before {before} ends" for after in row if starts[after] < ends[before]]
    for period in range(max(ends)):
        running = [i for i, start in enumerate(starts) if start <= period < ends[i]]
        for r, capacity in enumerate(instance.capacities):
            if sum(instance.demands[i][r] for i in running) > capacity:
                found.append(f"resource {r} over capacity in period {period}")
    if min(starts) < 0:
        found.append("a start before the project")
    return found


def run(solver: Solver, instance: Instance, seconds: float, workers: int) -> dict[str, Any]:
    """Return one solver's figures for one instance."""
    began = clock.perf_counter()
    answer = solver(instance, seconds, workers)
    took = clock.perf_counter() - began
    row: dict[str, Any] = {"seconds": round(took, 4), "status": NONE, "makespan": None}
    if answer.starts is None:
        return row
    ends = [s + d for s, d in zip(answer.starts, instance.durations, strict=True)]
    row["makespan"] = max(ends)
    row["bound"] = answer.bound
    row["status"] = OPTIMAL if answer.optimal else FEASIBLE
    row["faults"] = len(faults(instance, answer.starts))
    return row


def set_deviations(rows: Sequence[dict[str, Any]], best: int | None) -> None:
    """Set how far the solvers' makespans of one instance lie above `best` (None: theirs)."""
    found = [row for row in rows if row["makespan"] is not None]
    for row in found:
        least = best or min(other["makespan"] for other in found)
        row["deviation_percent"] = round(100 * (row["makespan"] - least) / least, 4)


def means(rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Return the means over instances; deviations only over those with a best known makespan."""
    deviations = [row["deviation_percent"] for row in rows if "deviation_percent" in row]
    return {
        "instances": len(rows),
        "optimal": sum(row["status"] == OPTIMAL for row in rows),
        "without_schedule": sum(row["status"] == NONE for row in rows),
        "faults": sum(row.get("faults", 0) for row in rows),
        "mean_seconds": round(sum(row["seconds"] for row in rows) / len(rows), 4),
        "mean_deviation_percent": (
            round(sum(deviations) / len(deviations), 4) if deviations else None
        ),
        "worst_deviation_percent": max(deviations, default=None),
    }


def best_known(directory: Path) -> dict[str, int]:
    """Return best known makespans by file name, from the nearest best_known.csv."""
    for folder in (directory, *directory.parents):
        path = folder / "best_known.csv"
        if path.is_file():
            with path.open(newline="", encoding="utf-8") as lines:
                return {row["instance"]: int(row["ub_best"]) for row in csv.DictReader(lines)}
    return {}


def warm_up_all(solvers: Sequence[Solver]) -> None:
    """Load libraries and compiled passes, which a planning worker has done before its first job."""
    warm_up()
    tiny = Instance("tiny", (2, 3, 2, 4) * 3, ((1,), (2,), (2,), (1,)) * 3, (2,), ((),) * 12)
    for solver in (plain_cp_sat, *solvers):
        solver(tiny, 1.0, 2)


def main() -> None:
    """Solve the instances of a directory and print figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("directory", type=Path)
    parser.add_argument("--seconds", type=float, default=5.0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--limit", type=int)
    parser.add_argument("--peers", action="store_true")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    if asked.seconds <= 0 or asked.workers < 1 or (asked.limit is not None and asked.limit < 1):
        parser.error("--seconds must be more than 0, --workers and --limit at least 1")
    files = sorted(asked.directory.rglob("*.sm"))[: asked.limit]
    if not files:
        parser.error(f"{asked.directory} has no .sm files")
    known = best_known(asked.directory.resolve())
    solvers: dict[str, Solver] = {ENGINE: engine, **(PEERS if asked.peers else {})}
    warm_up_all(list(solvers.values()))
    rows = []
    for path in files:
        instance = read_instance(path)
        best = known.get(path.name)
        row: dict[str, Any] = {"instance": path.name, "best_known": best}
        for name, solver in solvers.items():
            row[name] = run(solver, instance, asked.seconds, asked.workers)
        set_deviations([row[name] for name in solvers], best)
        rows.append(row)
        if not asked.json:
            print(row)
    summary = {name: means([row[name] for row in rows]) for name in solvers}
    report = {"seconds": asked.seconds, "workers": asked.workers, "means": summary}
    if asked.json:
        json.dump({**report, "runs": rows}, sys.stdout, indent=2)
    else:
        print(json.dumps(report, indent=2))


if __name__ == "__main__":
    main()
