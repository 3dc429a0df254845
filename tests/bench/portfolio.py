"""The planner on synthetic portfolios, beside a plain first-come pass and a general solver.

    python -m tests.bench.portfolio --jobs 45 --crews 5 --seconds 5 --json
    python -m tests.bench.portfolio --shape specialists --jobs 100 --crews 9 --seconds 20 --peers

Without --peers it measures a quarter, a half and the whole of the portfolio, to show growth. With
them it measures the whole, and CP-SAT on it for the same seconds: plain, and hinted with each of
the two plans that are made at once. All plans are scored by one objective and checked by the same
check.
"""

import argparse
import json
import sys
import time as clock
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from contractor.engine.check import check
from contractor.engine.objective import Objective, objective
from contractor.engine.planner import plan
from contractor.engine.problem import Problem
from contractor.engine.stops import SecondsStop
from contractor.engine.warm import warm_up
from tests.bench.portfolio_coarse import Coarse, coarse_crews, coarse_specialists
from tests.bench.portfolio_crews import synthetic_portfolio
from tests.bench.portfolio_first_come import first_come_plan
from tests.bench.portfolio_peers import PeerResult, cp_sat
from tests.bench.portfolio_specialists import specialist_problem, specialists

__all__ = ["SHAPES", "first_come_plan", "measure", "synthetic_portfolio"]

_Result = TypeVar("_Result")


@dataclass(frozen=True, slots=True)
class Shape:
    """A kind of portfolio, and how a general solver is given it."""

    problem: Callable[[int, int, int], Problem]
    coarse: Callable[[Problem], Coarse]
    crews: int


def _crews(jobs: int, crews: int, seed: int) -> Problem:
    return synthetic_portfolio(jobs=jobs, crews=crews, seed=seed)


def _specialists(jobs: int, crews: int, seed: int) -> Problem:
    return specialist_problem(specialists(jobs=jobs, crews=crews, seed=seed))


SHAPES: Mapping[str, Shape] = {
    "crews": Shape(_crews, coarse_crews, crews=5),
    "specialists": Shape(_specialists, coarse_specialists, crews=9),
}


def measure(
    *,
    jobs: int,
    crews: int,
    seconds: float,
    shape: str = "crews",
    seed: int = 7,
    peers: bool = False,
) -> dict[str, object]:
    """Return seconds and costs of all plans for one portfolio."""
    problem = SHAPES[shape].problem(jobs, crews, seed)
    plain_seconds, plain = _timed(lambda: first_come_plan(problem))
    greedy_seconds, first = _timed(lambda: plan(problem))
    improved_seconds, better = _timed(lambda: plan(problem, stop=SecondsStop(seconds)))
    row: dict[str, object] = {
        "shape": shape,
        "seed": seed,
        "jobs": jobs,
        "crews": crews,
        "activities": len(problem.activities),
        "violations": len(check(problem, better.schedule)),
        "first_come": {"seconds": round(plain_seconds, 4), **_parts(objective(problem, plain))},
        "greedy": {
            "seconds": round(greedy_seconds, 4),
            "rule": first.source,
            **_parts(first.objective),
        },
        "improved": {
            "seconds": round(improved_seconds, 4),
            "iterations": better.iterations,
            **_parts(better.objective),
        },
        "bound_late_weighted_days": better.bound.late_weighted_days if better.bound else None,
    }
    if peers:
        hints = {"cp_sat": None, "cp_sat_first_plan": first.schedule, "cp_sat_first_come": plain}
        coarse = SHAPES[shape].coarse(problem)
        for name, hint in hints.items():
            known = first.schedule if hint is None else hint
            peer = cp_sat(problem, coarse, known, seconds=seconds, hinted=hint is not None)
            row[name] = _peer_parts(peer, better.objective)
    return row


def main() -> None:
    """Measure the portfolio asked for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--jobs", type=int, default=45)
    parser.add_argument("--crews", type=int, help="in all; 5, or 9 specialists")
    parser.add_argument("--seconds", type=float, default=2.0)
    parser.add_argument("--shape", choices=sorted(SHAPES), default="crews")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--peers", action="store_true", help="run CP-SAT for the same seconds")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    crews = SHAPES[asked.shape].crews if asked.crews is None else asked.crews
    if asked.jobs < 1 or crews < 1 or asked.seconds < 0:
        parser.error("--jobs and --crews must be at least 1, --seconds at least 0")
    warm_up()
    sizes = {asked.jobs} if asked.peers else {max(1, asked.jobs // n) for n in (4, 2, 1)}
    rows = [
        measure(
            jobs=jobs,
            crews=crews,
            seconds=asked.seconds,
            shape=asked.shape,
            seed=asked.seed,
            peers=asked.peers,
        )
        for jobs in sorted(sizes)
    ]
    if asked.json:
        json.dump({"runs": rows}, sys.stdout, indent=2)
        print()
        return
    for row in rows:
        for name, parts in row.items():
            if isinstance(parts, dict):
                print(f"{row['jobs']:>5} jobs  {name:<13} {parts}")


def _timed(work: Callable[[], _Result]) -> tuple[float, _Result]:
    began = clock.perf_counter()
    result = work()
    return clock.perf_counter() - began, result


def _peer_parts(peer: PeerResult, ours: Objective) -> dict[str, object]:
    """Return a peer's plan by parts, and our plan as a share of it."""
    parts: dict[str, object] = {
        "workers": peer.workers,
        "status": peer.status,
        "seconds": round(peer.solver_seconds, 4),
        "violations": peer.violations,
        "late_days_in_its_own_steps": peer.coarse_days_late,
    }
    if peer.cost is not None:
        parts |= _parts(peer.cost)
        parts["our_late_weighted_days_to_its"] = _share(
            ours.late_weighted_days, peer.cost.late_weighted_days
        )
        parts["our_total_to_its"] = _share(ours.total, peer.cost.total)
    return parts


def _share(ours: float, theirs: float) -> float | None:
    if theirs == 0:
        return 1.0 if ours == 0 else None
    return round(ours / theirs, 3)


def _parts(cost: Objective) -> dict[str, float]:
    return {
        "late_weighted_days": cost.late_weighted_days,
        "late_jobs": cost.late_jobs,
        "open_days": cost.open_days,
        "extra_crews": cost.extra_crews,
        "finish_days": round(cost.finish_days, 1),
        "total": round(cost.total, 1),
    }


if __name__ == "__main__":
    main()
