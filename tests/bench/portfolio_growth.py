"""Growth of cost and memory with the size of a portfolio, each size in a process of its own.

    python -m tests.bench.portfolio_growth --jobs 125 250 500 1000 2000 --json

Two series: branches of five crews that grow in number with the jobs, and a fixed number of crews
whose backlog grows. Seconds are those of the processor, all threads together, so that other work
on the machine does not count. `to_linear` is the growth since the smallest size, divided by that of
the jobs.
"""

import argparse
import json
import resource
import sys
import time as clock
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from statistics import median
from typing import TypeVar

from contractor.engine.check import check
from contractor.engine.planner import plan, repair
from contractor.engine.stops import IterationStop
from contractor.engine.warm import warm_up
from contractor.engine.worktime import SLOTS_PER_DAY
from tests.bench.portfolio_changes import Announcement, trusses_late
from tests.bench.portfolio_crews import synthetic_portfolio

_Result = TypeVar("_Result")

JOBS_PER_BRANCH = 62.5
CREWS_PER_BRANCH = 5
FIXED_CREWS = 20
DAYS_GONE = 10
REPEATS = 3
TIMES = ("greedy_seconds", "greedy_again_seconds", "step_seconds", "repair_seconds")


@dataclass(frozen=True, slots=True)
class Size:
    """One portfolio to measure, and the steps of improvement that it gets."""

    jobs: int
    crews: int
    iterations: int
    seed: int


def measure(size: Size) -> dict[str, float]:
    """Return seconds and peak memory for one size; run it in a process of its own.

    `greedy_seconds` has all that a new problem asks for, `greedy_again_seconds` only the passes,
    `step_seconds` is one iteration without what all have in common, `repair_seconds` goes from a
    late delivery to a checked proposal.
    """
    warm_up()
    loaded = _peak_mebibytes()
    problem = synthetic_portfolio(
        jobs=size.jobs, crews=size.crews, seed=size.seed, crews_per_branch=CREWS_PER_BRANCH
    )
    built = _peak_mebibytes()
    greedy_seconds, _ = _timed(lambda: plan(problem))
    again = [_timed(lambda: plan(problem))[0] for _ in range(REPEATS)]
    one_step_seconds, _ = _timed(lambda: plan(problem, stop=IterationStop(1)))
    all_steps_seconds, better = _timed(lambda: plan(problem, stop=IterationStop(size.iterations)))
    changed = trusses_late(Announcement(problem, better.schedule, DAYS_GONE * SLOTS_PER_DAY))
    repair_seconds, violations = _timed(lambda: check(changed, repair(changed).schedule))
    return {
        "jobs": size.jobs,
        "crews": size.crews,
        "activities": len(problem.activities),
        "axis_days": problem.axis.slots // SLOTS_PER_DAY,
        "greedy_seconds": greedy_seconds,
        "greedy_again_seconds": median(again),
        "iterations": better.iterations,
        "step_seconds": (all_steps_seconds - one_step_seconds) / max(1, better.iterations),
        "repair_seconds": repair_seconds,
        "violations": len(violations),
        "loaded_mebibytes": loaded,
        "problem_mebibytes": built,
        "peak_mebibytes": _peak_mebibytes(),
    }


def series(sizes: list[Size]) -> list[dict[str, object]]:
    """Return a row for every size, with its ratios to linear growth from the first."""
    rows: list[dict[str, object]] = []
    first: dict[str, float] = {}
    for size in sizes:
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as own_process:
            found = own_process.submit(measure, size).result()
        first = first or found
        growth = found["jobs"] / first["jobs"]
        to_linear = {name: round(found[name] / first[name] / growth, 2) for name in TIMES}
        rows.append({**{k: _rounded(v) for k, v in found.items()}, "to_linear": to_linear})
    return rows


def main() -> None:
    """Measure both series."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--jobs", type=int, nargs="+", default=[125, 250, 500, 1000, 2000])
    parser.add_argument("--crews", type=int, default=FIXED_CREWS, help="of the fixed series")
    parser.add_argument("--iterations", type=int, default=30_000, help="of improvement")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    if min(asked.jobs) < 100 or asked.crews < 1 or asked.iterations < 1:
        parser.error("--jobs must be at least 100, --crews and --iterations at least 1")
    rows = {
        "crews grow": series(
            [Size(n, _crews_for(n), asked.iterations, asked.seed) for n in sorted(asked.jobs)]
        ),
        "crews fixed": series(
            [Size(n, asked.crews, asked.iterations, asked.seed) for n in sorted(asked.jobs)]
        ),
    }
    if asked.json:
        json.dump(rows, sys.stdout, indent=2)
        print()
        return
    for name, found in rows.items():
        print(name)
        for row in found:
            print("   ", row)


def _timed(work: Callable[[], _Result]) -> tuple[float, _Result]:
    """Return the seconds of the processor that `work` takes, and its result."""
    began = clock.process_time()
    result = work()
    return clock.process_time() - began, result


def _crews_for(jobs: int) -> int:
    return CREWS_PER_BRANCH * max(1, round(jobs / JOBS_PER_BRANCH))


def _peak_mebibytes() -> float:
    """Return the most memory this process has held so far; Linux counts it in kibibytes."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _rounded(value: float) -> float:
    return value if isinstance(value, int) else float(f"{value:.4g}")


if __name__ == "__main__":
    main()
