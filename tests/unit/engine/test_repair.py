"""Cases of a repaired plan that can be seen by eye; tests/property has the rules for all."""

from dataclasses import replace

import pytest

from contractor.engine.check import check
from contractor.engine.planner import repair
from contractor.engine.problem import Announced, Job, Pin, Resource
from contractor.engine.worktime import HorizonExceeded
from tests.unit.engine.builders import AXIS, activity, problem, spans


def three_in_a_row(**more):
    """Return three jobs that one crew was told to do one behind the other, from slot 100 on."""
    rows = [
        activity(f"a{i}", work=10, job=i, announced=Announced(0, 100 + 10 * i)) for i in range(3)
    ]
    return problem(rows, **more)


def changed(whole, i, **changes):
    rows = list(whole.activities)
    rows[i] = replace(rows[i], **changes)
    return replace(whole, activities=tuple(rows))


def repaired(whole):
    """Return the spans of the repaired plan, which must be sound."""
    schedule = repair(whole).schedule
    assert check(whole, schedule) == ()
    return spans(schedule)


def test_what_was_told_stays_though_it_could_begin_earlier():
    assert repaired(three_in_a_row()) == [(100, 110), (110, 120), (120, 130)]


def test_what_comes_late_goes_to_the_first_gap_and_pushes_nobody():
    whole = changed(three_in_a_row(), 0, release=101)

    assert repaired(whole) == [(130, 140), (110, 120), (120, 130)]


def test_work_that_takes_longer_begins_when_it_was_to_and_the_next_is_placed_behind_it():
    longer = activity("a1", work=25).modes

    assert repaired(changed(three_in_a_row(), 1, modes=longer)) == [
        (100, 110),
        (110, 135),
        (135, 145),
    ]


def test_work_under_way_goes_on_and_what_it_runs_into_moves():
    whole = changed(three_in_a_row(now=105), 0, under_way=True)

    assert repaired(whole) == [(105, 115), (130, 140), (120, 130)]


def test_a_follower_stays_where_the_delay_of_its_leader_leaves_room():
    rows = [
        activity("lead", work=10, release=130, announced=Announced(0, 100)),
        activity("next", work=10, announced=Announced(0, 140)),
    ]

    assert repaired(problem(rows, [(0, 1)])) == [(130, 140), (140, 150)]


def test_a_follower_moves_where_the_delay_of_its_leader_is_too_long():
    rows = [
        activity("lead", work=10, release=131, announced=Announced(0, 100)),
        activity("next", work=10, announced=Announced(1, 140)),
    ]

    assert repaired(problem(rows, [(0, 1)], crews=2)) == [(131, 141), (141, 151)]


def test_a_crew_that_is_away_leaves_only_what_lies_in_its_absence():
    away = (Resource("c0", "Crew 0", blocked=((105, 118),)),)

    assert repaired(three_in_a_row(resources=away)) == [(130, 140), (140, 150), (120, 130)]


def test_a_pin_takes_the_place_of_what_was_told_there():
    whole = changed(three_in_a_row(), 2, pin=Pin(0, 100))

    assert repaired(whole) == [(120, 130), (110, 120), (100, 110)]


def test_what_nobody_was_told_of_is_planned_around_the_rest():
    rows = [
        activity("told", work=10, announced=Announced(0, 5)),
        activity("new", work=10, job=1),
        activity("short", work=5, job=2),
    ]

    assert repaired(problem(rows)) == [(5, 15), (15, 25), (0, 5)]


def test_work_told_to_a_crew_that_cannot_do_it_any_more_goes_to_another():
    rows = [activity("a", crews=[1], announced=Announced(0, 50))]

    assert repaired(problem(rows, crews=2)) == [(50, 54)]


def test_what_nobody_can_do_is_left_out_with_what_follows_it():
    rows = [
        activity("a", modes=(), announced=Announced(0, 10)),
        activity("b", announced=Announced(0, 20)),
        activity("c", job=1, announced=Announced(0, 30)),
    ]

    found = repair(problem(rows, [(0, 1)]))

    assert spans(found.schedule) == [None, None, (30, 34)]
    assert [entry.activity for entry in found.schedule.unplanned] == [0, 1]


def test_a_repair_is_priced_and_says_that_it_moved_as_little_as_it_must():
    whole = changed(three_in_a_row(), 0, release=101)

    found = repair(whole)

    assert (found.source, found.optimal, found.iterations) == ("local repair", False, 0)
    assert found.objective.moved_days == 0
    assert found.objective.crew_changes == 0


def test_an_axis_too_short_raises_horizon_exceeded():
    rows = [activity("a", work=10, announced=Announced(0, AXIS.slots - 5))]

    with pytest.raises(HorizonExceeded):
        repair(problem(rows, jobs=(Job("j"),)))
