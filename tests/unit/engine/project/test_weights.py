from contractor.engine.project.layout import lay_out
from contractor.engine.project.weights import WHOLE, weights
from tests.unit.engine.project.builders import project


def first_column(*parts):
    return weights(lay_out(project(*parts)))[:, 0].tolist()


def test_what_never_runs_together_weighs_a_whole_each():
    assert first_column([4, 4, 5], [[2], [2], [2]], [3]) == [WHOLE] * 3


def test_what_runs_two_by_two_weighs_a_half_each():
    assert first_column([4, 4, 4], [[1], [1], [1]], [2]) == [WHOLE // 2] * 3


def test_resources_count_together_where_each_alone_would_let_more_run():
    # No two fit: each pair is short of a resource of its own.
    demands = [[2, 2, 0], [2, 0, 2], [0, 2, 2]]

    assert first_column([3, 3, 3], demands, [3, 3, 3]) == [WHOLE] * 3


def test_what_follows_something_never_runs_beside_it():
    assert first_column([3, 2, 1], [], [], [(0, 1), (1, 2)]) == [WHOLE] * 3


def test_what_takes_no_time_leaves_no_room_to_others():
    assert first_column([3, 0, 3], [[1], [0], [1]], [1])[::2] == [WHOLE] * 2


def test_later_columns_are_best_for_what_begins_later():
    # A long one is worth a whole beside two short ones, until it counts for nothing.
    durations, demands = [9, 2, 2], [[2], [1], [1]]
    links = [(0, 1), (0, 2)]

    columns = weights(lay_out(project(durations, demands, [2], links)))

    assert columns[0, 0] == WHOLE
    assert columns[1, -1] + columns[2, -1] == WHOLE


def test_too_many_that_can_run_together_have_no_weights():
    size = 30
    assert weights(lay_out(project([1] * size, [[1]] * size, [15]))) is None
