"""The portfolio that the bench measures is itself sound."""

from contractor.engine.check import check
from contractor.engine.objective import objective
from contractor.engine.planner import plan
from tests.bench.portfolio import first_come_plan, measure, synthetic_portfolio


def test_both_plans_of_the_portfolio_pass_the_check():
    whole = synthetic_portfolio(jobs=6, crews=3)

    assert check(whole, first_come_plan(whole)) == ()
    assert check(whole, plan(whole).schedule) == ()


def test_the_greedy_plan_costs_less_than_first_come():
    whole = synthetic_portfolio(jobs=12, crews=3)

    first_come = objective(whole, first_come_plan(whole)).total
    assert plan(whole).objective.total < first_come


def test_the_same_seed_makes_the_same_portfolio():
    first, again = (synthetic_portfolio(jobs=3, crews=2, seed=5) for _ in range(2))

    assert first.activities == again.activities
    assert first.jobs == again.jobs


def test_a_measurement_reports_all_three_plans_without_violations():
    found = measure(jobs=2, crews=2, seconds=0.0)

    assert found["violations"] == 0
    assert {"first_come", "greedy", "improved"} <= found.keys()
