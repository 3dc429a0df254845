"""The exact finish on problems small enough to see the answer."""

import threading
from dataclasses import replace

import pytest

from contractor.engine.exact import Incumbent, finish, worth_it
from contractor.engine.problem import Announced, Job, Link, Pin, Problem, Resource, Window
from tests.unit.engine.builders import activity, by_crew, day_shifts, problem, wait_of

DAY = 96
LATE, OPEN_DAY = 1000, 4


def two_in_a_row(**more: object) -> Problem:
    """Return two activities of two jobs on one crew, of which the second is promised first."""
    more.setdefault("jobs", (Job("j0", due=10 * DAY), Job("j1", due=DAY)))
    return problem([activity("a", DAY), activity("b", DAY, job=1)], **more)  # type: ignore[arg-type]


def first_come(whole: Problem) -> Incumbent:
    """Return the plan that does a, then b: b is a day late."""
    return Incumbent([0, 0], [0, DAY], [DAY, 2 * DAY], LATE + 3 + 2 * OPEN_DAY)


def test_the_order_that_keeps_both_promises_is_found_and_proven():
    result = finish(two_in_a_row(), first_come(two_in_a_row()), seconds=30)

    assert (result.starts, result.finishes) == ([DAY, 0], [2 * DAY, DAY])
    assert (result.total, result.bound) == (pytest.approx(11), pytest.approx(11))
    assert result.proven


def test_without_time_the_incumbent_stays():
    whole = two_in_a_row()

    result = finish(whole, first_come(whole), seconds=0)

    assert (result.modes, result.starts, result.finishes) == ([0, 0], [0, DAY], [DAY, 2 * DAY])
    assert result.total == first_come(whole).total
    assert result.bound <= 11
    assert not result.proven


def test_what_is_cancelled_at_once_is_no_worse_than_the_incumbent():
    whole = two_in_a_row()

    result = finish(whole, first_come(whole), seconds=30, cancelled=lambda: True)

    assert result.total <= first_come(whole).total


def test_the_cancel_is_asked_in_the_thread_of_the_caller():
    # What is asked may belong to its thread, as a database connection does.
    whole = two_in_a_row()
    asked_in = []

    def is_cancelled() -> bool:
        asked_in.append(threading.get_ident())
        return False

    finish(whole, first_come(whole), seconds=30, cancelled=is_cancelled)

    assert set(asked_in) == {threading.get_ident()}


def test_what_is_not_free_stays_and_is_in_the_way():
    whole = two_in_a_row()

    result = finish(whole, first_come(whole), free=[1], seconds=30)

    assert result.starts == [0, DAY]
    assert result.proven
    assert result.status != "FIXED"


def test_nothing_free_asks_no_solver():
    result = finish(two_in_a_row(), first_come(two_in_a_row()), free=[], seconds=30)

    assert result.status == "FIXED"
    assert result.proven


def test_of_a_machine_with_two_units_one_that_stays_leaves_one():
    resources = tuple(Resource(f"c{i}", f"Crew {i}") for i in range(3))
    machine = Resource("m", "Machine", capacity=2)
    whole = problem(
        [activity(f"a{i}", job=i, modes=by_crew(DAY, i, machines=(3,))) for i in range(3)],
        resources=(*resources, machine),
        jobs=tuple(Job(f"j{i}") for i in range(3)),
    )
    before = Incumbent([0, 0, 0], [0, 2 * DAY, 4 * DAY], [DAY, 3 * DAY, 5 * DAY], 9 + 3 * OPEN_DAY)

    result = finish(whole, before, free=[1, 2], seconds=30)

    assert result.starts[0] == 0
    assert sorted(result.starts[1:]) == [0, DAY]
    assert result.total == pytest.approx(4 + 3 * OPEN_DAY)


def test_what_has_no_place_stays_without_and_forbids_a_proof_only_where_it_could_have_one():
    nobody = activity("x", modes=(), no_mode_why="no crew has the skill")
    closed = activity("x", DAY, windows=(Window(0, 4),))
    for other, proven in ((nobody, True), (closed, False)):
        whole = problem([activity("a", DAY), replace(other, job=1)])

        result = finish(whole, Incumbent([0, -1], [5, 0], [5 + DAY, 0], 1e6 + 5), seconds=30)

        assert (result.modes, result.starts) == ([0, -1], [0, 0])
        assert result.proven is proven


def test_work_under_way_does_not_move():
    whole = problem(
        [activity("a", DAY, under_way=True), activity("b", 4, job=1)],
        jobs=(Job("j0"), Job("j1", due=4)),
    )

    result = finish(
        whole, Incumbent([0, 0], [0, DAY], [DAY, DAY + 4], 2 + 4 / DAY + 1000), seconds=30
    )

    assert result.starts == [0, DAY]
    assert result.proven


def test_a_pin_and_what_was_told_are_kept_where_they_cost_more_than_they_save():
    whole = problem(
        [
            activity("a", 4, pin=Pin(None, 3 * DAY)),
            activity("b", 4, job=1, announced=Announced(0, 2 * DAY)),
        ]
    )
    before = Incumbent([0, 0], [0, 4], [4, 8], 1e6)

    result = finish(whole, before, seconds=30)

    # A day nearer costs 20 for b and saves 1; less than a day is free, so it comes as early as
    # that allows.
    assert result.starts == [3 * DAY, DAY + 1]


def test_a_wait_over_the_night_is_kept():
    whole = problem(
        [activity("a", 32), activity("b", 8)],
        [Link(0, 1, wait=0)],
        calendars=(day_shifts(),),
        waits=(wait_of(10),),
    )
    before = Incumbent([0, 0], [28, 2 * DAY + 28], [60, 2 * DAY + 36], 1e6)

    result = finish(whole, before, seconds=30)

    assert result.starts == [28, DAY + 28]


def test_an_incumbent_that_breaks_a_rule_is_refused_by_name():
    whole = problem([activity("a", 4)], calendars=(day_shifts(),))

    with pytest.raises(ValueError, match="'a' in mode 0 from 0 to 4 breaks a rule"):
        finish(whole, Incumbent([0], [0], [4], 1), seconds=30)


def test_small_is_worth_it_and_many_are_not():
    assert worth_it(two_in_a_row())
    many = problem([activity(f"a{i}") for i in range(400)])
    assert not worth_it(many)
    assert worth_it(many, range(20))
