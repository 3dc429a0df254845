from contractor.engine.timeline import BLOCKED, SharedTimeline, SingleTimeline, merge_stretches


def test_a_free_single_resource_has_no_conflict():
    assert SingleTimeline(()).conflict(0, 10, 1, 10) is None


def test_a_stretch_that_touches_a_busy_one_is_free():
    line = SingleTimeline(())
    line.occupy(10, 20, 1, 7)

    assert line.conflict(0, 10, 1, 10) is None
    assert line.conflict(20, 30, 1, 10) is None


def test_a_conflict_names_the_holder_and_its_end():
    line = SingleTimeline(())
    line.occupy(10, 20, 1, 7)

    assert line.conflict(5, 11, 1, 6) == (20, 7)


def test_a_gap_too_short_for_the_work_is_stepped_over():
    line = SingleTimeline(((10, 20),))
    line.occupy(22, 30, 1, 4)

    assert line.conflict(5, 11, 1, 6) == (30, 4)


def test_a_blocked_stretch_is_held_by_nobody():
    assert SingleTimeline(((10, 20),)).conflict(12, 13, 1, 1) == (20, BLOCKED)


def test_a_shared_resource_takes_as_many_as_it_has_units():
    line = SharedTimeline(2, ())
    line.occupy(0, 10, 1, 3)

    assert line.conflict(0, 10, 1, 10) is None
    assert line.conflict(0, 10, 2, 10) == (10, 3)


def test_a_shared_resource_frees_up_when_the_first_holder_leaves():
    line = SharedTimeline(2, ())
    line.occupy(0, 10, 1, 3)
    line.occupy(2, 8, 1, 4)

    assert line.conflict(4, 6, 1, 2) == (8, 4)


def test_a_shared_resource_sees_a_conflict_later_in_the_stretch():
    line = SharedTimeline(2, ((30, 40),))

    assert line.conflict(20, 31, 1, 11) == (40, BLOCKED)


def test_touching_and_overlapping_stretches_merge():
    assert merge_stretches([(8, 9), (0, 3), (3, 5), (1, 2)]) == ((0, 5), (8, 9))


def test_a_gap_just_long_enough_for_the_work_is_not_stepped_over():
    line = SingleTimeline(((10, 20), (26, 30)))

    assert line.conflict(5, 11, 1, 6) == (20, BLOCKED)


def test_a_stretch_may_end_where_a_shared_resource_becomes_full():
    line = SharedTimeline(2, ((30, 40),))

    assert line.conflict(20, 30, 1, 10) is None
