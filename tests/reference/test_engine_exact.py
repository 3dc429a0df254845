"""The exact finish against a plain CP-SAT model on the clock's own axis, and against everything.

Both second opinions share no code with it: the model of `test_engine_optimum` keeps nights and
weekends, and the brute force adds up the prices printed in docs/planning.md.
"""

from dataclasses import replace
from random import Random

import pytest

from contractor.engine.check import check
from contractor.engine.exact import ExactResult, Incumbent, finish
from contractor.engine.objective import objective
from contractor.engine.problem import Problem
from tests.reference.engine_problems import (
    Place,
    allowed,
    as_schedule,
    cost,
    random_problem,
    stretches,
    tiny_problem,
)
from tests.reference.test_engine_optimum import Model, try_everything

SECONDS = 300.0
PROBLEMS = 40


def any_plan(problem: Problem, random: Random) -> list[Place]:
    """Return a plan that keeps the rules and nothing else: one by one, each first fit by chance."""
    rows = problem.activities
    order = sorted(range(len(rows)), key=lambda i: (not rows[i].under_way, i))
    places: dict[int, Place] = {}
    for i in order:
        ways = [m for m in range(len(rows[i].modes)) if stretches(problem, i, m)]
        mode = random.choice(ways)
        places[i] = next(
            place
            for stretch in stretches(problem, i, mode)
            if fits(problem, places | {i: (place := Place(mode, *stretch))})
        )
    return [places[i] for i in range(len(rows))]


def fits(problem: Problem, places: dict[int, Place]) -> bool:
    """Return whether those that are placed so far keep all rules among themselves."""
    known = sorted(places)
    at = {i: k for k, i in enumerate(known)}
    links = tuple(
        replace(link, before=at[link.before], after=at[link.after])
        for link in problem.links
        if {link.before, link.after} <= at.keys()
    )
    part = replace(problem, activities=tuple(problem.activities[i] for i in known), links=links)
    return allowed(part, [places[i] for i in known])


def incumbent_of(problem: Problem, places: list[Place]) -> Incumbent:
    return Incumbent(*map(list, zip(*places, strict=True)), total=cost(problem, places))


def places_of(result: ExactResult) -> list[Place]:
    rows = zip(result.modes, result.starts, result.finishes, strict=True)
    return [Place(*row) for row in rows]


@pytest.mark.parametrize("seed", range(PROBLEMS))
def test_the_proven_total_is_that_of_a_plain_model(seed):
    problem = random_problem(seed)
    before = incumbent_of(problem, any_plan(problem, Random(seed)))

    result = finish(problem, before, seconds=SECONDS)

    places = places_of(result)
    schedule = as_schedule(problem, places)
    assert result.proven
    assert check(problem, schedule) == ()
    assert result.total == pytest.approx(objective(problem, schedule).total)
    assert result.total == pytest.approx(cost(problem, places))
    assert result.total == pytest.approx(cost(problem, Model(problem).solve()))
    assert result.bound == pytest.approx(result.total)


@pytest.mark.parametrize("seed", range(16))
def test_trying_everything_finds_nothing_better_than_what_is_proven(seed):
    problem = tiny_problem(seed)
    before = incumbent_of(problem, any_plan(problem, Random(seed)))

    result = finish(problem, before, seconds=SECONDS)

    assert result.proven
    assert check(problem, as_schedule(problem, places_of(result))) == ()
    assert result.total == pytest.approx(try_everything(problem))


@pytest.mark.parametrize("seed", range(0, PROBLEMS, 2))
def test_with_some_free_the_best_is_found_among_what_stays(seed):
    problem, random = random_problem(seed), Random(seed)
    places = any_plan(problem, random)
    before = incumbent_of(problem, places)
    free = random.sample(range(len(places)), min(2, len(places)))

    result = finish(problem, before, free=free, seconds=SECONDS)

    after = places_of(result)
    assert result.proven
    assert all(after[i] == places[i] for i in range(len(places)) if i not in free)
    assert check(problem, as_schedule(problem, after)) == ()
    assert result.total == pytest.approx(cost(problem, after))
    assert result.total <= before.total
    first = free[0]
    moved_alone = (
        [*places[:first], Place(m, *stretch), *places[first + 1 :]]
        for m in range(len(problem.activities[first].modes))
        for stretch in stretches(problem, first, m)
    )
    least = min(cost(problem, row) for row in moved_alone if allowed(problem, row))
    assert result.total <= least + 1e-6
