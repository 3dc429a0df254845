"""Exact answers for parts can be asked of any plan of any problem, and make none worse."""

from hypothesis import given, settings

from contractor.engine import planner
from contractor.engine.check import check
from contractor.engine.exact import NO_MODE, Incumbent
from contractor.engine.exact_parts import improve_parts
from contractor.engine.problem import Problem
from contractor.engine.worktime import HorizonExceeded
from tests.property.engine_strategies import problems

PARTS = 3


@settings(max_examples=30, deadline=None)
@given(problems())
def test_parts_of_any_plan_can_be_asked_for(problem: Problem) -> None:
    try:
        first = planner.plan(problem)
    except HorizonExceeded:
        return
    placed = first.schedule.placed
    before = Incumbent(
        [p.mode if p else NO_MODE for p in placed],
        [p.start if p else 0 for p in placed],
        [p.finish if p else 0 for p in placed],
        first.objective.total,
    )
    rest = iter([1.0] * PARTS)

    found = improve_parts(problem, before, left=lambda: next(rest, 0.0))
    better = planner._better_of(problem, first, found.modes, found.starts, planner.PARTS)

    assert found.total <= before.total
    assert better.objective.total <= first.objective.total
    assert check(problem, better.schedule) == ()
