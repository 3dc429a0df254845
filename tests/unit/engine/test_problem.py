import numpy as np
import pytest

from contractor.engine.problem import (
    Activity,
    Announced,
    Job,
    Link,
    Mode,
    Pin,
    Resource,
    Wait,
    Window,
)
from contractor.engine.worktime import Axis, always_open
from tests.unit.engine.builders import AXIS, activity, by_crew, problem


@pytest.mark.parametrize(
    ("build", "message"),
    [
        (lambda: Resource("a", "A", capacity=0), "resource 'a': capacity 0"),
        (lambda: Resource("a", "A", blocked=((5, 5),)), "blocked 5 to 5"),
        (lambda: Mode(0, -1, 0), "work_slots -1"),
        (lambda: Window(4, 4), "window 4 to 4"),
        (lambda: Pin(None, -1), "pin start -1"),
        (lambda: Announced(None, 3, -1.0), "announced weight -1.0"),
        (lambda: Job("j", None, weight=-2.0), "job 'j': weight -2.0"),
        (lambda: Activity("a", 0, (), release=-1), "activity 'a': release -1"),
        (lambda: Wait.lag("w", AXIS, -1), "wait 'w': minutes -1"),
        (lambda: Wait("w", np.array([0, 2, 1, 3])), "wait 'w': table falls after slot 1"),
        (lambda: Wait("w", np.array([0, 0, 2])), "table at slot 1 lies before that slot"),
        (lambda: Wait("w", np.zeros((2, 2))), "shape"),
    ],
)
def test_a_part_that_makes_no_sense_is_refused_by_name_and_value(build, message):
    with pytest.raises(ValueError, match=message):
        build()


@pytest.mark.parametrize(
    ("build", "message"),
    [
        (lambda: problem([activity("a", crews=[1])]), "activity 'a': crew 1"),
        (lambda: problem([activity("a", modes=by_crew(4, 0, calendar=3))]), "calendar 3"),
        (lambda: problem([activity("a", modes=by_crew(4, 0, machines=[9]))]), "machine 9"),
        (lambda: problem([activity("a", modes=by_crew(4, 0, machines=[0]))]), "crew 0 is listed"),
        (
            lambda: problem([activity("a", modes=by_crew(4, 0, machines=[1, 1]))], crews=2),
            "needs 2 units of 'c1', which has 1",
        ),
        (lambda: problem([activity("a", job=2)], jobs=(Job("j"),)), "activity 'a': job 2"),
        (lambda: problem([activity("a", pin=Pin(5, 0))]), "pin crew 5"),
        (lambda: problem([activity("a", announced=Announced(5, 0))]), "announced crew 5"),
        (lambda: problem([activity("a")], jobs=(Job("j", preferred_crew=4),)), "preferred_crew 4"),
        (lambda: problem([activity("a"), activity("a")]), "activity key 'a': given twice"),
        (lambda: problem([activity("a")], [(0, 3)]), "link: after 3"),
        (lambda: problem([activity("a")], [(0, 0)]), "cannot follow itself"),
        (lambda: problem([activity("a"), activity("b")], [Link(0, 1, wait=0)]), "wait 0"),
        (lambda: problem([activity("a")], now=AXIS.slots + 1), "now 4001"),
        (lambda: problem([], change_crew_slots=-1), "change_crew_slots -1"),
        (
            lambda: problem([], calendars=(always_open("x", Axis(AXIS.origin, 8)),)),
            "calendar 'x': has 8 slots",
        ),
        (
            lambda: problem([], waits=(Wait.lag("w", Axis(AXIS.origin, 8), 15),)),
            "wait 'w'.*9 entries",
        ),
    ],
)
def test_a_problem_refuses_what_does_not_fit_together(build, message):
    with pytest.raises(ValueError, match=message):
        build()


def test_a_cycle_is_named_by_the_keys_along_it():
    rows = [activity(key) for key in "abcd"]

    with pytest.raises(ValueError, match="cycle: b -> c -> b;"):
        problem(rows, [(0, 1), (1, 2), (2, 1), (2, 3)])


def test_a_lag_rounds_up_to_whole_slots():
    assert Wait.lag("w", AXIS, 16).table[10] == 12


def test_a_wait_keeps_its_own_copy_of_the_table():
    table = np.arange(AXIS.slots + 1, dtype=np.int32)
    wait = Wait("w", table)

    table[0] = 99

    assert wait.table[0] == 0


def test_an_activity_that_nobody_can_do_is_a_valid_part_of_a_problem():
    assert problem([activity("a", modes=())]).activities[0].modes == ()
