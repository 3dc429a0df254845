from dataclasses import replace

import numpy as np
import pytest

from contractor.engine.problem import Announced, Job, Link, Mode, Pin, Resource, Wait, Window
from contractor.engine.project.plain import PlainProject, as_plain, to_slots
from tests.unit.engine.builders import AXIS, activity, by_crew, day_shifts, problem, wait_of
from tests.unit.engine.project.builders import project

POOL = (Resource("pool", "Workers", capacity=3),)


def pooled(key, work=4, need=1, **more):
    return activity(key, modes=by_crew(work, None, machines=[0] * need), **more)


def plain_problem(rows=None, links=((0, 1),), **more):
    more.setdefault("resources", POOL)
    return problem(rows or [pooled("a", need=2), pooled("b", work=5)], links, **more)


def test_a_job_on_shared_units_is_a_plain_project():
    found = as_plain(plain_problem())

    assert found is not None
    assert found.durations.tolist() == [4, 5]
    assert found.demands.tolist() == [[2], [1]]
    assert found.capacities.tolist() == [3]
    assert found.precedence.tolist() == [[0, 1, 0]]


def test_a_crew_counts_as_one_unit():
    found = as_plain(problem([activity("a"), activity("b")], crews=2))

    assert found is not None
    assert found.demands.tolist() == [[1], [1]]
    assert found.capacities.tolist() == [1]


def test_a_wait_of_the_same_length_always_is_a_lag():
    found = as_plain(plain_problem(links=[Link(0, 1, wait=0)], waits=(wait_of(7),)))

    assert found is not None
    assert found.precedence.tolist() == [[0, 1, 7]]


def test_a_common_release_is_where_the_project_begins():
    rows = [pooled("a", release=30), pooled("b", release=30)]
    found = as_plain(plain_problem(rows))

    assert found is not None
    assert to_slots(found, (0, 4)) == (30, 34)


def test_now_stands_for_releases_that_lie_before_it():
    rows = [pooled("a", release=3), pooled("b")]
    found = as_plain(plain_problem(rows, now=12))

    assert found is not None
    assert found.release == 12


def rounded_up():
    slot = np.arange(AXIS.slots + 1)
    return Wait("to the day", -(-slot // 96) * 96)


@pytest.mark.parametrize(
    "whole",
    [
        plain_problem([pooled("a"), pooled("b", job=1)]),
        plain_problem([pooled("a"), pooled("b", release=1)]),
        plain_problem([pooled("a"), pooled("b", windows=(Window(0, 9),))]),
        plain_problem([pooled("a"), pooled("b", pin=Pin(None, 3))]),
        plain_problem([pooled("a"), pooled("b", announced=Announced(None, 3))]),
        plain_problem([pooled("a", under_way=True), pooled("b")]),
        plain_problem([pooled("a"), activity("b", modes=(), no_mode_why="nobody")]),
        plain_problem([pooled("a"), activity("b", modes=by_crew(4, None) * 2)]),
        plain_problem([pooled("a"), pooled("b", work=0)]),
        plain_problem(links=[Link(0, 1, start_to_start=True)]),
        plain_problem(links=[Link(0, 1, longest_slots=9)]),
        plain_problem(links=[Link(0, 1, wait=0)], waits=(rounded_up(),)),
        plain_problem(calendars=(day_shifts(),)),
        plain_problem(jobs=(Job("j", visit_price=5.0),)),
        plain_problem(resources=(Resource("pool", "Workers", 3, blocked=((5, 9),)),)),
        problem([activity("a"), activity("b", modes=(Mode(None, 4, 0),))]),
    ],
    ids=[
        "two jobs", "releases differ", "window", "pin", "announced", "under way", "no mode",
        "two modes", "momentary use", "start to start", "longest lag", "wait by table",
        "calendar", "visits cost", "blocked", "crew on some only",
    ],
)  # fmt: skip
def test_what_is_more_than_a_plain_project_is_none(whole):
    assert as_plain(whole) is None


def test_an_empty_problem_is_no_project():
    assert as_plain(problem([], jobs=(Job("j"),))) is None


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"durations": [4]}, r"demands: has shape \(2, 1\); needs \(1, 1\)"),
        ({"durations": []}, "at least one activity"),
        ({"durations": [4, -1]}, "durations: has -1"),
        ({"durations": [4, 1.5]}, "durations: .*give whole numbers"),
        ({"demands": [[1], [9]]}, "activity 1 needs 9 units of resource 0, which has 3"),
        ({"durations": [4, 0]}, "activity 1 takes no time but units"),
        ({"precedence": [[0, 2, 0]]}, r"\[0, 2, 0\]: activities are numbered 0 to 1"),
        ({"precedence": [[0, 1, 0], [1, 0, 0]]}, "cycle"),
        ({"precedence": [[0, 1]]}, "precedence: has shape"),
        ({"release": -1}, "release -1"),
    ],
)
def test_what_makes_no_sense_is_refused_by_name(change, message):
    good = project([4, 5], [[1], [2]], [3], [(0, 1)])

    with pytest.raises(ValueError, match=message):
        replace(good, **change)


def test_the_arrays_of_a_project_cannot_be_written():
    whole = PlainProject([1], np.zeros((1, 0), dtype=int), [], np.zeros((0, 3), dtype=int))

    with pytest.raises(ValueError, match="read-only"):
        whole.durations[0] = 2
