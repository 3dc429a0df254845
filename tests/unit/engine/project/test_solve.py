import pytest

from contractor.engine.project.solve import solve, warm_up
from contractor.engine.stops import IterationStop
from tests.unit.engine.project.builders import faults, makespan, project


def solved(whole, iterations=4000, **more):
    found = solve(whole, stop=IterationStop(iterations), **more)
    assert faults(whole, found.starts) == []
    assert found.makespan == makespan(whole, found.starts)
    assert found.bound <= found.makespan
    return found


def busy(size=24, capacity=5):
    """Return activities that follow those five before them in part, on two short resources."""
    return project(
        [1 + (7 * i) % 9 for i in range(size)],
        [[1 + (3 * i) % 4, (5 * i) % 3] for i in range(size)],
        [capacity, 3],
        [(i - 5, i) for i in range(5, size) if i % 3] + [(i - 3, i) for i in range(3, size, 4)],
    )


def test_one_activity_is_its_own_project():
    found = solved(project([7]))

    assert (found.starts, found.makespan, found.optimal) == ((0,), 7, True)


def test_long_activities_on_a_coarse_grid_are_found_in_slots():
    found = solved(project([400, 800, 400], [[1], [1], [1]], [2], [(0, 2, 400)]))

    assert (found.makespan, found.optimal) == (1200, True)


def test_activities_without_time_keep_their_place():
    whole = project([0, 4, 0, 4, 0], [[0], [1], [0], [1], [0]], [1],
                    [(0, 1), (1, 2), (2, 3), (3, 4)])  # fmt: skip

    assert solved(whole).makespan == 8


@pytest.mark.parametrize(("capacity", "makespan_expected"), [(105, 2), (104, 4)])
def test_more_resources_than_one_word_holds(capacity, makespan_expected):
    # Of each of nine resources one activity takes 100 units and the other five one each.
    demands = [[100 if i == r % 6 else 1 for r in range(9)] for i in range(6)]

    assert solved(project([2] * 6, demands, [capacity] * 9)).makespan == makespan_expected


@pytest.mark.parametrize("workers", [1, 2])
def test_the_same_seed_and_iterations_give_the_same_schedule(workers):
    first, second = (solved(busy(), 300, seed=5, workers=workers) for _ in range(2))

    assert first == second


def test_a_stop_from_the_start_still_gives_a_schedule():
    assert solved(busy(), 0).makespan > 0


def test_stopping_ends_a_search_that_would_go_on():
    asked = []

    def stop(iterations, best):
        asked.append(iterations)
        return len(asked) > 5

    found = solve(busy(90, 6), stop=stop)

    assert faults(busy(90, 6), found.starts) == []


def test_progress_tells_the_best_so_far():
    told = []

    found = solve(busy(60, 4), stop=IterationStop(3000), progress=lambda *news: told.append(news))

    bests = [best for _, best in told]
    assert bests == sorted(bests, reverse=True)
    assert not bests or bests[-1] >= found.makespan
    assert [n for n, _ in told] == sorted(n for n, _ in told)


def test_no_workers_are_refused():
    with pytest.raises(ValueError, match="workers 0"):
        solve(project([1]), stop=IterationStop(1), workers=0)


def test_warming_up_leaves_nothing_behind():
    warm_up()

    assert solved(project([3, 4], [[1], [1]], [1])).makespan == 7
