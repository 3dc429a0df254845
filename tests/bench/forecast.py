"""Draws of a plan beside SimPy on the same policy: speed, growth, memory.

    python -m tests.bench.forecast --jobs 50 200 800 --draws 2000 --json

Each size runs in a process of its own. The plan is of a synthetic portfolio with all kinds of
chances: hours, weather, people, visits, deliveries, cure. SimPy carries out a few draws of the same
luck, which must give the same dates; it is plain Python and cannot use two threads. Seconds are
those of the clock and of the processor; compare within one run.
"""

import argparse
import json
import resource
import sys
import time as clock
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context

import numpy as np

from contractor.engine.planner import plan
from contractor.engine.problem import Problem
from contractor.engine.schedule import Schedule
from contractor.engine.simulate.chances import (
    ActivityChances,
    Chances,
    CrewChances,
    Gate,
    WeatherChances,
)
from contractor.engine.simulate.course import course_of
from contractor.engine.simulate.draw import draw, new_drawn
from contractor.engine.simulate.simulation import EARLY_DAYS, simulate
from contractor.engine.worktime import SLOTS_PER_DAY
from tests.bench.forecast_simpy import Execution
from tests.bench.portfolio_crews import synthetic_portfolio

JOBS_PER_CREW = 12.5
CREWS_PER_BRANCH = 5
VISIT = "inspection"


@dataclass(frozen=True, slots=True)
class Size:
    """One portfolio to draw from."""

    jobs: int
    draws: int
    simpy_draws: int
    workers: int
    seed: int


def chances_of(problem: Problem) -> Chances:
    """Return chances of every kind for a synthetic portfolio."""
    days = -(-problem.axis.slots // SLOTS_PER_DAY)
    day_first = np.arange(days + 1, dtype=np.int32) * SLOTS_PER_DAY
    by_activity = {
        i: (
            ActivityChances(fail_chance=0.1, absent_chance=0.05, rework_slots=96, again_wait=0)
            if VISIT in activity.key
            else ActivityChances(
                log_sd=0.3,
                late_chance=0.25 if "trusses" in activity.key else 0.0,
                late_days=3.0,
                gate=None if "doors" in activity.key else i % 3,
                area=i % 2,
            )
        )
        for i, activity in enumerate(problem.activities)
    }
    gates = (
        Gate(np.full(days, 0.1), np.full(days, 0.05), 1),
        Gate(np.full(days, 0.15)),
        Gate(np.full(days, 0.2)),
    )
    crews = {mode.crew for a in problem.activities for mode in a.modes if mode.crew is not None}
    slots = np.arange(problem.axis.slots + 1, dtype=np.int32)
    return Chances(
        by_activity=by_activity,
        by_resource={crew: CrewChances(0.115, 0.75) for crew in crews},
        weather=WeatherChances(day_first, gates, 2),
        wait_variants={1: [slots + lag * SLOTS_PER_DAY for lag in (5, 3, 2)]},
    )


def measure(size: Size) -> dict[str, float]:
    """Return seconds, speeds and peak memory of one size; run it in a process of its own."""
    crews = CREWS_PER_BRANCH * max(1, round(size.jobs / JOBS_PER_CREW / CREWS_PER_BRANCH))
    problem = synthetic_portfolio(
        jobs=size.jobs, crews=crews, seed=size.seed, crews_per_branch=CREWS_PER_BRANCH
    )
    schedule, chances = plan(problem).schedule, chances_of(problem)
    simulate(problem, schedule, chances, runs=2)
    before = _peak_mebibytes()
    began, began_cpu = clock.perf_counter(), clock.process_time()
    drawn = simulate(
        problem, schedule, chances, runs=size.draws, seed=size.seed, workers=size.workers
    )
    seconds, cpu = clock.perf_counter() - began, clock.process_time() - began_cpu
    peak = _peak_mebibytes()
    simpy_seconds = _simpy(problem, schedule, chances, size, drawn.starts, drawn.finishes)
    phases = len(problem.activities)
    rate = size.draws * phases / seconds
    simpy_rate = size.simpy_draws * phases / simpy_seconds
    return {
        "jobs": size.jobs,
        "phases": phases,
        "crews": crews,
        "draws": size.draws,
        "axis_days": problem.axis.slots // SLOTS_PER_DAY,
        "seconds": round(seconds, 3),
        "processor_seconds": round(cpu, 3),
        "draws_x_phases_per_second": round(rate),
        "simpy_draws": size.simpy_draws,
        "simpy_seconds": round(simpy_seconds, 3),
        "simpy_draws_x_phases_per_second": round(simpy_rate),
        "times_simpy": round(rate / simpy_rate, 1),
        "times_simpy_per_processor": round(size.draws * phases / cpu / simpy_rate, 1),
        "memory_before_mebibytes": round(before),
        "peak_mebibytes": round(peak),
    }


def _simpy(
    problem: Problem,
    schedule: Schedule,
    chances: Chances,
    size: Size,
    starts: np.ndarray,
    finishes: np.ndarray,
) -> float:
    """Return the seconds of the processor SimPy takes; raises where a date differs."""
    course = course_of(problem, schedule, chances, early_days=EARLY_DAYS)
    drawn = new_drawn(course)
    seconds = 0.0
    for run in range(size.simpy_draws):
        draw(course, drawn, size.seed, run)
        execution = Execution(problem, schedule, chances, drawn, course.original.tolist())
        began = clock.process_time()
        dates = execution.run()
        seconds += clock.process_time() - began
        for i, (start, finish) in enumerate(dates):
            ours = (starts[i, run], finishes[i, run])
            if finish >= 0 and ours != (start, finish):
                raise AssertionError(f"draw {run}, {problem.activities[i].key}: {ours}, SimPy not")
    return seconds


def main() -> None:
    """Measure all sizes."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--jobs", type=int, nargs="+", default=[50, 200, 800])
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument("--simpy-draws", type=int, default=3)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    if min(*asked.jobs, asked.draws, asked.simpy_draws, asked.workers) < 1:
        parser.error("--jobs, --draws, --simpy-draws and --workers must be at least 1")
    rows = []
    for jobs in asked.jobs:
        size = Size(jobs, asked.draws, asked.simpy_draws, asked.workers, asked.seed)
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as own_process:
            rows.append(own_process.submit(measure, size).result())
    if asked.json:
        json.dump(rows, sys.stdout, indent=2)
        print()
        return
    for row in rows:
        print(row)


def _peak_mebibytes() -> float:
    """Return the most memory this process has held so far; Linux counts it in kibibytes."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


if __name__ == "__main__":
    main()
