"""The portfolio of all-round crews is sound, in branches too, and so is its likeness in steps."""

import pytest

from contractor.engine.check import check
from tests.bench.portfolio import measure
from tests.bench.portfolio_coarse import coarse_crews, heads, plan_in_order
from tests.bench.portfolio_crews import PHASES, synthetic_portfolio
from tests.bench.portfolio_first_come import first_come_plan
from tests.bench.portfolio_peers import Model
from tests.processes import PATIENCE_SECONDS


def test_a_branch_works_for_no_other_branch():
    problem = synthetic_portfolio(jobs=8, crews=6, crews_per_branch=3)

    used = [
        {
            resource
            for activity in problem.activities
            if activity.job % 2 == branch
            for mode in activity.modes
            for resource in (mode.crew, *mode.machines)
            if resource is not None
        }
        for branch in (0, 1)
    ]

    assert used[0] & used[1] == set()
    assert len(problem.resources) == 6 + 2 * 2


def test_the_first_come_plan_of_branches_passes_the_check():
    problem = synthetic_portfolio(jobs=9, crews=5, crews_per_branch=2)

    assert check(problem, first_come_plan(problem)) == ()


def test_a_working_day_in_two_steps_has_a_notice_of_two_and_a_cure_of_four():
    problem = synthetic_portfolio(jobs=1, crews=1)
    coarse = coarse_crews(problem, steps_per_day=2)

    lags = {(before, after): lag for before, after, lag in coarse.links}
    names = [phase[0] for phase in PHASES]
    assert lags[names.index("dig"), names.index("hole inspection")] == 2
    assert lags[names.index("set posts"), names.index("girts")] == 4
    inspection = coarse.tasks[names.index("hole inspection")]
    assert inspection.as_day_begins
    # 34 worked slots make a full day, and half of them a step.
    for activity, task in zip(problem.activities, coarse.tasks, strict=True):
        for mode, likeness in zip(activity.modes, task.modes, strict=True):
            if not activity.windows:
                assert likeness.steps == pytest.approx(mode.work_slots / 17, abs=1.0)


@pytest.mark.parametrize("seed", [7, 8])
def test_a_plan_in_steps_is_feasible_for_the_peers_model(seed):
    coarse = coarse_crews(synthetic_portfolio(jobs=4, crews=3, seed=seed))
    size = len(coarse.tasks)
    plan = plan_in_order(coarse, range(size), [0] * size)
    model = Model(coarse, horizon=max(plan.finish(coarse, i) for i in range(size)) + 20)
    for variable, value in zip(model.start, plan.start, strict=True):
        model.model.add(variable == value)

    status, _, found = model.solve(PATIENCE_SECONDS)

    assert status == "optimal"
    assert found is not None
    assert all(start >= head for start, head in zip(found.start, heads(coarse), strict=True))


def test_a_measurement_with_peers_finds_no_violations_in_any_plan():
    row = measure(jobs=2, crews=2, seconds=0.5, peers=True)

    assert row["violations"] == 0
    for peer in ("cp_sat", "cp_sat_first_plan", "cp_sat_first_come"):
        assert row[peer]["violations"] == 0
