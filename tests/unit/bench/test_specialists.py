"""The portfolio of specialists is what its docstring says, and its coarse model is the same one.

The shape (ten phases in a row, six kinds of crew, a load of 92 % on the busiest) is our own.
"""

from itertools import pairwise, product

import pytest

from contractor.engine.check import check
from contractor.engine.objective import objective
from contractor.engine.schedule import Schedule
from tests.bench.portfolio_coarse import (
    Coarse,
    CoarseJob,
    CoarseMode,
    CoarsePlan,
    CoarseTask,
    coarse_specialists,
    plan_in_order,
    weighted_days_late,
)
from tests.bench.portfolio_first_come import first_come_plan, place_without_reason
from tests.bench.portfolio_peers import Model, cp_sat
from tests.bench.portfolio_specialists import (
    HALF_DAY,
    LOAD,
    PHASES_PER_JOB,
    specialist_problem,
    specialists,
)
from tests.processes import PATIENCE_SECONDS


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(("jobs", "crews"), [(40, 9), (40, 6), (60, 30), (20, 4)])
def test_the_busiest_kind_is_as_loaded_as_said(jobs, crews, seed):
    portfolio = specialists(jobs=jobs, crews=crews, seed=seed)

    assert portfolio.busiest_load() == pytest.approx(LOAD, abs=0.01)
    assert sum(portfolio.capacity) == crews


def test_a_job_has_ten_phases_in_a_row_on_whole_half_days():
    problem = specialist_problem(specialists(jobs=5, crews=9))

    in_a_row = [(j * 10 + k, j * 10 + k + 1) for j in range(5) for k in range(PHASES_PER_JOB - 1)]
    assert [(link.before, link.after) for link in problem.links] == in_a_row
    slots = [activity.release for activity in problem.activities]
    slots += [activity.modes[0].work_slots for activity in problem.activities]
    slots += [job.due for job in problem.jobs]
    slots += [int(wait.table[0]) for wait in problem.waits]
    assert {slot % HALF_DAY for slot in slots} == {0}


def test_the_same_seed_makes_the_same_portfolio_and_another_seed_another():
    first, again, other = (specialists(jobs=9, crews=7, seed=seed) for seed in (4, 4, 5))

    assert first == again
    assert (first.kind, first.jobs) != (other.kind, other.jobs)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_first_come_plan_passes_the_check(seed):
    problem = specialist_problem(specialists(jobs=12, crews=8, seed=seed))

    assert check(problem, first_come_plan(problem)) == ()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_plan_in_half_days_is_a_plan_of_the_problem_and_costs_the_same(seed):
    problem = specialist_problem(specialists(jobs=12, crews=8, seed=seed))
    coarse = coarse_specialists(problem)
    size = len(coarse.tasks)
    backwards = [i for job in reversed(range(12)) for i in range(job * 10, job * 10 + 10)]

    plan = plan_in_order(coarse, backwards, [0] * size)
    places = tuple(
        place_without_reason(i, 0, plan.start[i] * HALF_DAY, plan.finish(coarse, i) * HALF_DAY)
        for i in range(size)
    )
    schedule = Schedule(places, (), ())

    assert check(problem, schedule) == ()
    assert objective(problem, schedule).late_weighted_days == weighted_days_late(coarse, plan) > 0


def test_the_peer_finds_the_optimum_that_trying_every_start_finds():
    coarse = _three_jobs_on_one_crew()
    horizon = 9

    plans = (CoarsePlan(starts, (0, 0, 0)) for starts in product(range(horizon), repeat=3))
    least = min(weighted_days_late(coarse, plan) for plan in plans if _is_feasible(coarse, plan))
    status, _, found = Model(coarse, horizon=horizon).solve(PATIENCE_SECONDS)

    assert status == "optimal"
    assert found is not None
    assert _is_feasible(coarse, found)
    assert weighted_days_late(coarse, found) == least > 0


@pytest.mark.parametrize("hinted", [False, True])
def test_a_peer_is_never_scored_below_what_its_own_model_proves(hinted):
    problem = specialist_problem(specialists(jobs=4, crews=6, seed=2))

    found = cp_sat(
        problem,
        coarse_specialists(problem),
        first_come_plan(problem),
        seconds=PATIENCE_SECONDS,
        hinted=hinted,
    )

    assert found.status == "optimal"
    assert found.violations == 0
    assert found.cost is not None
    assert found.cost.late_weighted_days == found.coarse_days_late


def test_a_hint_is_a_feasible_plan_of_the_peers_model():
    problem = specialist_problem(specialists(jobs=12, crews=8, seed=3))
    coarse = coarse_specialists(problem)
    plan = plan_in_order(coarse, range(len(coarse.tasks)), [0] * len(coarse.tasks))
    horizon = max(plan.finish(coarse, i) for i in range(len(coarse.tasks)))
    model = Model(coarse, horizon=horizon)
    for variable, value in zip(model.start, plan.start, strict=True):
        model.model.add(variable == value)

    status, _, found = model.solve(PATIENCE_SECONDS)

    assert status == "optimal"
    assert found == plan


def _three_jobs_on_one_crew() -> Coarse:
    return Coarse(
        tasks=tuple(
            CoarseTask(job, (CoarseMode(steps, (0,)),), release)
            for job, (steps, release) in enumerate([(3, 0), (2, 1), (2, 1)])
        ),
        links=(),
        jobs=(CoarseJob(2, 1), CoarseJob(3, 2), CoarseJob(4, 5)),
        capacity=(1,),
        steps_per_day=2,
        exact=True,
    )


def _is_feasible(coarse: Coarse, plan: CoarsePlan) -> bool:
    spans = sorted((plan.start[i], plan.finish(coarse, i)) for i in range(len(coarse.tasks)))
    released = all(
        start >= task.release for start, task in zip(plan.start, coarse.tasks, strict=True)
    )
    return released and all(before[1] <= after[0] for before, after in pairwise(spans))
