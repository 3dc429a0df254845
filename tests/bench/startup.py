"""Start-up: what compiling costs, once, and what a process pays that finds the kernels kept.

    python -m tests.bench.startup --json

Three processes of their own, on one empty folder for compiled kernels: the first compiles them
all, the second warms up from what the first kept, the third plans without having warmed up, as
would a request that comes too early.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import time as clock
from pathlib import Path
from tempfile import TemporaryDirectory

ROOT = Path(__file__).resolve().parents[2]
JOBS, CREWS = 45, 5
ITERATIONS = 50
PROCESSES = {
    "nothing compiled": True,
    "warmed from what was kept": True,
    "not warmed": False,
}


def measure(*, warms: bool) -> dict[str, float]:
    """Return seconds of each stage in this process, which must not have loaded the engine yet."""
    began = clock.perf_counter()
    # Here and not above: loading is the first thing measured.
    from contractor.engine.planner import plan
    from contractor.engine.stops import IterationStop
    from contractor.engine.warm import warm_up
    from tests.bench.portfolio_crews import synthetic_portfolio

    stages = {"load_seconds": clock.perf_counter() - began}
    if warms:
        began = clock.perf_counter()
        warm_up()
        stages["warm_up_seconds"] = clock.perf_counter() - began
    for stage in ("first_plan_seconds", "second_plan_seconds"):
        problem = synthetic_portfolio(jobs=JOBS, crews=CREWS)
        began = clock.perf_counter()
        plan(problem)
        stages[stage] = clock.perf_counter() - began
    began = clock.perf_counter()
    plan(problem, stop=IterationStop(ITERATIONS))
    stages["improve_seconds"] = clock.perf_counter() - began
    stages["peak_mebibytes"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {name: float(f"{value:.4g}") for name, value in stages.items()}


def run_all() -> dict[str, dict[str, float]]:
    """Return what each of the three processes measured."""
    rows = {}
    with TemporaryDirectory() as kept:
        for name, warms in PROCESSES.items():
            command = [sys.executable, "-m", "tests.bench.startup", "--one"]
            done = subprocess.run(
                command if warms else [*command, "--no-warm-up"],
                cwd=ROOT,
                env={**os.environ, "NUMBA_CACHE_DIR": kept},
                stdout=subprocess.PIPE,
                text=True,
                check=True,
            )
            rows[name] = json.loads(done.stdout)
    return rows


def main() -> None:
    """Measure in three processes, or in this one."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--one", action="store_true", help="measure in this process")
    parser.add_argument("--no-warm-up", action="store_true")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    if asked.one:
        json.dump(measure(warms=not asked.no_warm_up), sys.stdout)
        return
    rows = run_all()
    if asked.json:
        json.dump(rows, sys.stdout, indent=2)
        print()
        return
    for name, row in rows.items():
        print(f"{name:<26} {row}")


if __name__ == "__main__":
    main()
