"""Planning again after one report, among hundreds of open jobs.

    python -m tests.bench.replan --jobs 400 --crews 40 --json

A plan is announced, ten days pass, and one thing changes. Measured is the time from the new problem
in hand to a checked proposal, and how many announced bookings it moves, beside two plain ways:
pushing all work right in its turn, and a fresh first plan that knows nothing of what was told.
"""

import argparse
import json
import sys
import time as clock
from collections.abc import Callable
from dataclasses import replace
from statistics import median

from contractor.engine.check import check
from contractor.engine.decode import decode
from contractor.engine.objective import FROZEN_TOLERANCE_SLOTS, objective
from contractor.engine.planner import plan, repair
from contractor.engine.problem import Problem
from contractor.engine.schedule import Schedule
from contractor.engine.stops import SecondsStop
from contractor.engine.warm import warm_up
from contractor.engine.worktime import SLOTS_PER_DAY
from tests.bench.portfolio_changes import CHANGES, Announcement, told_start
from tests.bench.portfolio_crews import synthetic_portfolio
from tests.bench.portfolio_told import moved, must_move

CREWS_PER_BRANCH = 5
DAYS_GONE = 10
REPEATS = 5


def announce(*, jobs: int, crews: int, seconds: float, seed: int = 7) -> Announcement:
    """Return a portfolio in branches of five crews with a plan improved for `seconds`."""
    problem = synthetic_portfolio(
        jobs=jobs, crews=crews, seed=seed, crews_per_branch=CREWS_PER_BRANCH
    )
    schedule = plan(problem, stop=SecondsStop(seconds)).schedule
    return Announcement(problem, schedule, DAYS_GONE * SLOTS_PER_DAY)


def pushed_in_turn(problem: Problem) -> Schedule:
    """Return the announced plan with all work pushed right, in its turn and on its crew."""
    activities = problem.activities
    order = sorted(range(len(activities)), key=lambda i: (told_start(activities[i]), i))
    crews = {
        i: activity.announced.crew
        for i, activity in enumerate(activities)
        if activity.announced and activity.announced.crew is not None
    }
    return decode(problem, order, crew_choice=crews, right_shift=True)


def planned_afresh(problem: Problem) -> Schedule:
    """Return the best first plan of the work alone, as if nobody had been told anything."""
    untold = [replace(activity, announced=None) for activity in problem.activities]
    return plan(replace(problem, activities=tuple(untold), freeze_until=0)).schedule


def measure(world: Announcement, change: Callable[[Announcement], Problem]) -> dict[str, object]:
    """Return seconds, moves and costs of the proposal and of the plain ways after one change."""
    problem = change(world)
    ways: dict[str, Callable[[Problem], Schedule]] = {
        "repair": lambda p: repair(p).schedule,
        "pushed_in_turn": pushed_in_turn,
        "planned_afresh": planned_afresh,
    }
    row: dict[str, object] = {
        "open_jobs": len({activity.job for activity in problem.activities}),
        "bookings": sum(not activity.under_way for activity in problem.activities),
        "must_move": must_move(problem),
    }
    for name, way in ways.items():
        seconds, of_processor = [], []
        for _ in range(REPEATS):
            fresh = replace(problem)  # what was worked out for one problem is not used for the next
            began, began_work = clock.perf_counter(), clock.process_time()
            schedule = way(fresh)
            violations = check(fresh, schedule) if name == "repair" else ()
            seconds.append(clock.perf_counter() - began)
            of_processor.append(clock.process_time() - began_work)
        cost = objective(problem, schedule)
        row[name] = {
            "seconds": round(median(seconds), 4),
            "processor_seconds": round(median(of_processor), 4),
            "moved": moved(problem, schedule),
            "moved_4_hours_or_crew": moved(problem, schedule, least_slots=FROZEN_TOLERANCE_SLOTS),
            "late_weighted_days": cost.late_weighted_days,
            "total": round(cost.total, 1),
            "violations": len(violations),
        }
    return row


def main() -> None:
    """Announce one plan and measure every change."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--jobs", type=int, default=440, help="some more than are to be open")
    parser.add_argument("--crews", type=int, default=40)
    parser.add_argument("--seconds", type=float, default=5.0, help="for the announced plan")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    if asked.jobs < 10 or asked.crews < 1 or asked.seconds < 0:
        parser.error("--jobs must be at least 10, --crews at least 1, --seconds at least 0")
    warm_up()
    world = announce(jobs=asked.jobs, crews=asked.crews, seconds=asked.seconds, seed=asked.seed)
    rows = {name: measure(world, change) for name, change in CHANGES.items()}
    if asked.json:
        json.dump({"changes": rows}, sys.stdout, indent=2)
        print()
        return
    for name, row in rows.items():
        print(name)
        for key, value in row.items():
            print(f"    {key:<15} {value}")


if __name__ == "__main__":
    main()
