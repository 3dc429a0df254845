from dataclasses import dataclass

import pytest

from contractor.engine.decode import decode
from contractor.engine.improve import STEPS_AT_ONCE, IterationStop, search
from contractor.engine.objective import objective
from contractor.engine.problem import Announced, Job, Problem
from tests.unit.engine.builders import AXIS, activity, problem, spans


def crowded() -> Problem:
    """Return eight jobs on one crew whose promises reward another order than the given one."""
    rows = [activity(f"a{i}", work=96, job=i) for i in range(8)]
    return problem(rows, jobs=tuple(Job(f"j{i}", due=96 * (8 - i)) for i in range(8)))


def test_a_poor_order_is_improved_until_no_promise_is_late():
    whole = crowded()

    better = search(whole, decode(whole, range(8)), stop=IterationStop(600), seed=1).schedule

    assert objective(whole, better).late_jobs == 0


def test_the_same_seed_and_iterations_give_the_same_plan():
    whole = crowded()
    start = decode(whole, range(8))

    first = search(whole, start, stop=IterationStop(40), seed=3).schedule

    assert search(whole, start, stop=IterationStop(40), seed=3).schedule == first


def test_without_iterations_the_plan_stays_as_it_is():
    whole = crowded()
    start = decode(whole, range(8))

    found = search(whole, start, stop=IterationStop(0), seed=1)

    assert (found.schedule, found.iterations) == (start, 0)


def test_a_pushed_plan_that_no_order_can_make_is_kept_if_nothing_is_cheaper():
    rows = [activity("a", announced=Announced(0, 96 * 3, weight=50.0))]
    whole = problem(rows)
    start = decode(whole, [0], right_shift=True)

    assert spans(search(whole, start, stop=IterationStop(20), seed=1).schedule) == [(288, 292)]


def test_crews_are_changed_where_that_keeps_promises():
    rows = [activity(f"a{i}", work=90, crews=[0, 1], job=i) for i in range(2)]
    whole = problem(rows, crews=2, jobs=(Job("j0", due=96), Job("j1", due=96)))
    start = decode(whole, [0, 1], crew_choice={0: 0, 1: 0})

    better = search(whole, start, stop=IterationStop(60), seed=1).schedule

    assert objective(whole, better).late_jobs == 0


def test_an_order_that_runs_off_the_axis_is_passed_over():
    rows = [activity("a", work=10, release=AXIS.slots - 10), activity("b", work=AXIS.slots - 10)]
    whole = problem(rows)

    better = search(whole, decode(whole, [0, 1]), stop=IterationStop(30), seed=1).schedule

    assert spans(better) == [(3990, 4000), (0, 3990)]


def test_progress_hears_the_best_after_every_round_of_steps():
    heard: list[tuple[int, float]] = []
    whole = crowded()
    start = decode(whole, range(8))

    found = search(
        whole,
        start,
        stop=IterationStop(4 * STEPS_AT_ONCE),
        seed=1,
        progress=lambda iterations, best: heard.append((iterations, best)),
    )

    totals = [best for _, best in heard]
    assert [iterations for iterations, _ in heard] == [n * STEPS_AT_ONCE for n in range(1, 5)]
    assert totals == sorted(totals, reverse=True)
    assert totals[-1] == pytest.approx(found.objective.total)


@dataclass(frozen=True)
class GoodEnough:
    """Stops at a total, whatever is left of the time."""

    total: float

    def __call__(self, iterations: int, best: float) -> bool:
        return best <= self.total

    def used(self, iterations: int) -> float:
        return 0.0


def test_a_search_stops_when_it_is_told_the_best_is_good_enough():
    whole = crowded()
    start = decode(whole, range(8))
    target = objective(whole, start).total - 1

    found = search(whole, start, stop=GoodEnough(target), seed=1)

    assert found.objective.total <= target


@pytest.mark.parametrize("workers", [1, 2])
def test_the_same_number_of_workers_gives_the_same_plan_again(workers):
    whole = crowded()
    start = decode(whole, range(8))
    stop = IterationStop(2 * STEPS_AT_ONCE)

    first = search(whole, start, stop=stop, seed=3, workers=workers)

    assert search(whole, start, stop=stop, seed=3, workers=workers) == first


def test_a_second_worker_makes_no_plan_worse():
    whole = crowded()
    start = decode(whole, range(8))
    stop = IterationStop(STEPS_AT_ONCE)

    alone = search(whole, start, stop=stop, seed=3)
    together = search(whole, start, stop=stop, seed=3, workers=2)

    assert together.objective.total <= alone.objective.total
    assert together.iterations == alone.iterations


def test_an_empty_problem_needs_no_search():
    whole = problem([], jobs=())

    assert search(whole, decode(whole, []), stop=IterationStop(5), seed=1).iterations == 0
