"""Plan a problem: the best first plan, then improvement until told to stop."""

from dataclasses import dataclass

from contractor.engine.bound import Bound, lower_bound
from contractor.engine.decode import to_schedule
from contractor.engine.greedy import ANNOUNCED_STARTS, RIGHT_SHIFT, greedy
from contractor.engine.improve import Progress, Stop, search
from contractor.engine.objective import Objective
from contractor.engine.problem import Problem
from contractor.engine.schedule import Schedule

__all__ = ["IMPROVED", "PlanResult", "plan"]

IMPROVED = "improved"


@dataclass(frozen=True, slots=True)
class PlanResult:
    """A plan and what is known of it.

    `source` is the rule of the first plan, or IMPROVED. `bound` is there only for a plan that
    places everything. `optimal` means proven so: the plan costs what the bound says.
    """

    schedule: Schedule
    objective: Objective
    source: str
    bound: Bound | None
    optimal: bool
    iterations: int


def plan(
    problem: Problem,
    *,
    stop: Stop | None = None,
    seed: int = 1,
    progress: Progress | None = None,
) -> PlanResult:
    """Return the best plan found; without `stop`, the best first plan.

    Pushing the announced plan right is always among the candidates, so no plan is worse than
    staying put. Raises HorizonExceeded when the axis is too short for any candidate.
    """
    first = greedy(problem)
    schedule = to_schedule(
        problem, first.dates, right_shift=first.source in (RIGHT_SHIFT, ANNOUNCED_STARTS)
    )
    cost, source, iterations = first.objective, first.source, 0
    bound = None if schedule.unplanned else lower_bound(problem)
    if stop is not None and not _reached(cost, bound):
        improved = search(problem, schedule, stop=stop, seed=seed, progress=progress)
        iterations = improved.iterations
        if improved.objective.total < cost.total:
            schedule, cost, source = improved.schedule, improved.objective, IMPROVED
    if schedule.unplanned:
        bound = None
    return PlanResult(schedule, cost, source, bound, _reached(cost, bound), iterations)


def _reached(cost: Objective, bound: Bound | None) -> bool:
    return bound is not None and cost.total <= bound.total
