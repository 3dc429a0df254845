"""What would be otherwise if one thing were: a problem planned as it is and as changed, alike.

Both are planned the same way, so that the difference is the change's and not the luck of a rule:
the order and crews of the plan at hand, and those of the best first plan of either problem, all go
through the decoder on both, and beside them each problem's own best first plan. The cheapest stays.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from contractor.engine.decode import decode
from contractor.engine.objective import Objective, objective
from contractor.engine.planner import plan
from contractor.engine.problem import Problem
from contractor.engine.schedule import Schedule
from contractor.engine.worktime import HorizonExceeded

__all__ = ["ORDER_KEPT", "ORDER_OF_AS_IS", "ORDER_OF_CHANGED", "Answer", "Outcome", "what_if"]

ORDER_KEPT = "order and crews kept"
ORDER_OF_AS_IS = "order of the best plan as it is"
ORDER_OF_CHANGED = "order of the best plan as changed"


@dataclass(frozen=True, slots=True)
class Outcome:
    """A plan, its cost, and which order gave it: one of the names above, or a first plan's rule."""

    schedule: Schedule
    objective: Objective
    source: str


@dataclass(frozen=True, slots=True)
class Answer:
    """The plan of the problem as it is, and of the changed one."""

    as_is: Outcome
    changed: Outcome


@dataclass(frozen=True, slots=True)
class _Order:
    """Activities by key in the order they are placed, and their crews, so that both can read it."""

    source: str
    activities: tuple[str, ...]
    crews: Mapping[str, str]


def what_if(
    as_is: Problem, changed: Problem, *, order: Sequence[int], crews: Mapping[int, int]
) -> Answer:
    """Return how `as_is` and `changed` are planned when nothing else differs.

    `order` names every activity of `as_is` once, as the plan at hand starts them, and `crews` its
    crews by activity. The two problems are matched by the keys of activities and resources: what
    only one of them has is placed last, or by any crew. Raises HorizonExceeded when the axis is
    too short, ValueError when `order` is none.
    """
    if sorted(order) != list(range(len(as_is.activities))):
        raise ValueError(f"order: must name each of {len(as_is.activities)} activities once")
    kept = _Order(
        ORDER_KEPT,
        tuple(as_is.activities[i].key for i in order),
        {as_is.activities[i].key: as_is.resources[crew].key for i, crew in crews.items()},
    )
    first_as_is, first_changed = _first(as_is), _first(changed)
    orders = (
        kept,
        _order_of(ORDER_OF_AS_IS, as_is, first_as_is.schedule),
        _order_of(ORDER_OF_CHANGED, changed, first_changed.schedule),
    )
    return Answer(_best(as_is, orders, first_as_is), _best(changed, orders, first_changed))


def _first(problem: Problem) -> Outcome:
    result = plan(problem)
    return Outcome(result.schedule, result.objective, result.source)


def _best(problem: Problem, orders: Sequence[_Order], first: Outcome) -> Outcome:
    """Return the cheapest; of equals the one that keeps most."""
    outcomes = [outcome for order in orders if (outcome := _decoded(problem, order)) is not None]
    return min([*outcomes, first], key=lambda outcome: outcome.objective.total)


def _decoded(problem: Problem, order: _Order) -> Outcome | None:
    """Return what an order gives; None where the axis is too short for it."""
    index = {activity.key: i for i, activity in enumerate(problem.activities)}
    resources = {resource.key: r for r, resource in enumerate(problem.resources)}
    known = [index[key] for key in order.activities if key in index]
    others = sorted(set(range(len(index))).difference(known))
    crews = {
        index[key]: resources[crew]
        for key, crew in order.crews.items()
        if key in index and crew in resources
    }
    try:
        schedule = decode(problem, [*known, *others], crew_choice=crews)
    except HorizonExceeded:
        return None
    return Outcome(schedule, objective(problem, schedule), order.source)


def _order_of(source: str, problem: Problem, schedule: Schedule) -> _Order:
    starts = {p.activity: p.start for p in schedule.placed if p is not None}
    order = sorted(range(len(problem.activities)), key=lambda i: (starts.get(i, 2**31), i))
    crews = {
        problem.activities[p.activity].key: problem.resources[crew].key
        for p in schedule.placed
        if p is not None and (crew := problem.activities[p.activity].modes[p.mode].crew) is not None
    }
    return _Order(source, tuple(problem.activities[i].key for i in order), crews)
