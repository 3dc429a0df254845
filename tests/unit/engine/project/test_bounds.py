from contractor.engine.project.bounds import lower_bound
from contractor.engine.project.layout import lay_out
from tests.unit.engine.project.builders import project


def bound(*parts):
    layout = lay_out(project(*parts))
    return lower_bound(layout) * layout.unit


def test_nothing_is_shorter_than_the_critical_path():
    assert bound([3, 4, 2], [], [], [(0, 1, 5), (1, 2)]) == 3 + 5 + 4 + 2


def test_nothing_is_shorter_than_the_work_over_the_capacity():
    assert bound([4, 4, 5], [[1], [1], [1]], [2]) == -(-(4 + 4 + 5) // 2)


def test_work_between_what_comes_before_and_behind_is_added_to_both():
    durations, demands = [5, 4, 4, 6], [[0], [1], [1], [0]]
    links = [(0, 1), (0, 2), (1, 3), (2, 3)]

    assert bound(durations, demands, [1], links) == 5 + 8 + 6


def test_activities_of_more_than_half_the_capacity_follow_one_another():
    assert bound([4, 4, 4], [[3], [3], [3]], [5]) == 12


def test_what_is_too_large_to_share_counts_as_whole():
    # 4 of 6 leaves room for the two of 2, but not for the two of 3.
    assert bound([5, 5, 5], [[4], [3], [3]], [6]) == 10


def test_times_without_common_measure_are_kept_and_others_divided():
    assert lay_out(project([6, 9], links=[(0, 1, 12)])).unit == 3
