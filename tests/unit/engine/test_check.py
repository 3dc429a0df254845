from dataclasses import replace

import pytest

from contractor.engine.check import check
from contractor.engine.decode import Because, Bind, BrokenPin, Schedule, Unplanned, decode
from contractor.engine.problem import Activity, Announced, Link, Pin, Problem, Resource, Window
from tests.unit.engine.builders import (
    AXIS,
    activity,
    by_crew,
    calendar_open,
    day_shifts,
    place,
    problem,
    wait_of,
)


def sound() -> tuple[Problem, Schedule]:
    """Return a valid schedule in which every rule has something to hold."""
    rows: list[Activity] = [
        activity("first", work=8),
        activity("second", work=8, release=40),
        activity("window", work=4, crews=[1], windows=(Window(220, 240),)),
        activity("pinned", work=4, crews=[1], pin=Pin(1, 320)),
        activity("machine", modes=by_crew(4, 1, machines=[2])),
        activity("nobody", modes=()),
    ]
    resources = (
        Resource("c0", "Crew 0"),
        Resource("c1", "Crew 1", blocked=((28, 36),)),
        Resource("rig", "Auger rig"),
    )
    whole = problem(
        rows, [Link(0, 1, wait=0)], resources=resources, now=20, calendars=(day_shifts(),),
        waits=(wait_of(4),),
    )  # fmt: skip
    return whole, decode(whole, range(len(rows)))


def moved(schedule: Schedule, index: int, **change: int) -> Schedule:
    rows = list(schedule.placed)
    rows[index] = replace(place(schedule, index), **change)
    return replace(schedule, placed=tuple(rows))


def rules(whole: Problem, schedule: Schedule) -> set[str]:
    return {violation.rule for violation in check(whole, schedule)}


def test_a_sound_schedule_has_no_violation():
    assert check(*sound()) == ()


@pytest.mark.parametrize(
    ("index", "change", "rule"),
    [
        (0, {"start": 10, "finish": 18}, "past"),
        (1, {"start": 36, "finish": 44}, "release"),
        (1, {"start": 32, "finish": 40}, "link"),
        (1, {"start": 28, "finish": 36}, "overlap"),
        (0, {"start": 20, "finish": 36}, "work_time"),
        (0, {"finish": 37}, "finish"),
        (0, {"finish": 35}, "finish"),
        (0, {"finish": 20}, "finish"),
        (0, {"finish": AXIS.slots + 1}, "finish"),
        (2, {"start": 240, "finish": 244}, "window"),
        (3, {"start": 321, "finish": 325}, "pin"),
        (4, {"start": 30, "finish": 34}, "overlap"),
        (0, {"mode": 7}, "mode"),
        (0, {"activity": 3}, "missing"),
    ],
)
def test_a_moved_activity_is_caught_by_its_rule(index, change, rule):
    whole, schedule = sound()

    assert rule in rules(whole, moved(schedule, index, **change))


def test_work_that_ends_in_a_pause_is_caught_though_its_amount_is_right():
    rows = [activity("a", work=32)]
    whole = problem(rows, calendars=(day_shifts(),))
    schedule = decode(whole, [0])

    assert rules(whole, moved(schedule, 0, finish=70)) == {"finish"}


def test_two_on_one_machine_are_caught():
    rows = [activity(key, modes=by_crew(4, i, machines=[2])) for i, key in enumerate("ab")]
    whole = problem(rows, crews=3)
    schedule = decode(whole, [0, 1])

    assert rules(whole, moved(schedule, 1, start=2, finish=6)) == {"overlap"}


def test_more_than_the_capacity_at_once_is_caught_and_just_as_many_are_not():
    rows = [activity(key, modes=by_crew(4, None, machines=[0])) for key in "abc"]
    whole = problem(rows, resources=(Resource("lift", "Lift", capacity=2),))
    schedule = decode(whole, [0, 1, 2])

    assert rules(whole, schedule) == set()
    assert rules(whole, moved(schedule, 2, start=3, finish=7)) == {"overlap"}


def test_a_start_to_start_link_is_checked_against_the_start():
    rows = [activity("a", crews=[0]), activity("b", crews=[1])]
    whole = problem(rows, [Link(0, 1, start_to_start=True, wait=0)], crews=2, waits=(wait_of(2),))
    schedule = decode(whole, [0, 1])

    assert rules(whole, schedule) == set()
    assert rules(whole, moved(schedule, 1, start=1, finish=5)) == {"link"}


def test_an_activity_left_out_is_caught():
    whole, schedule = sound()
    rows = (None, *schedule.placed[1:])

    assert {"missing", "link"} <= rules(whole, replace(schedule, placed=rows))


def test_a_schedule_of_the_wrong_length_is_caught():
    whole, schedule = sound()

    assert rules(whole, replace(schedule, placed=schedule.placed[1:])) == {"missing"}


@pytest.mark.parametrize(
    "unplanned",
    [
        (Unplanned(5, " "),),
        (Unplanned(5, "x"), Unplanned(5, "x")),
        (Unplanned(5, "x"), Unplanned(0, "y")),
    ],
)
def test_a_wrong_list_of_unplanned_activities_is_caught(unplanned):
    whole, schedule = sound()

    assert rules(whole, replace(schedule, unplanned=unplanned)) == {"unplanned"}


@pytest.mark.parametrize("broken", [BrokenPin(3, "why", 9), BrokenPin(0, "why", 9)])
def test_a_pin_reported_broken_that_is_not_is_caught(broken):
    whole, schedule = sound()

    assert rules(whole, replace(schedule, broken_pins=(broken,))) == {"pin"}


def test_a_pin_broken_without_a_reason_is_caught():
    whole = problem([activity("a", release=9, pin=Pin(0, 5))])
    schedule = decode(whole, [0])

    assert rules(whole, schedule) == set()
    silent = replace(schedule, broken_pins=(BrokenPin(0, "", 9),))
    assert rules(whole, silent) == {"pin"}


def test_work_that_stops_for_a_closing_is_caught_where_a_later_stretch_holds_it():
    shut = calendar_open((0, 100), (500, 600))
    whole = problem(
        [activity("set", work=20, release=85)], calendars=(shut,), longest_pause_slots=399
    )
    schedule = decode(whole, [0])
    broken = moved(schedule, 0, start=90, finish=510)

    assert rules(whole, schedule) == set()
    assert rules(whole, broken) == {"pause"}
    assert rules(replace(whole, longest_pause_slots=400), broken) == set()


@pytest.mark.parametrize(
    ("row", "calendar"),
    [
        (activity("set", work=20, under_way=True), ((0, 100), (500, 600))),
        (activity("set", work=20), ((0, 100), (500, 519))),
    ],
    ids=["under way", "no later stretch holds it"],
)
def test_work_that_must_stop_for_a_closing_is_no_violation(row, calendar):
    whole = problem([row], calendars=(calendar_open(*calendar),), longest_pause_slots=100, now=90)

    assert place(decode(whole, [0]), 0).finish == 510
    assert rules(whole, decode(whole, [0])) == set()


def test_a_small_move_inside_the_freeze_must_still_say_why():
    whole = problem([activity("a", release=6, announced=Announced(0, 5))], freeze_until=20)
    schedule = decode(whole, [0])
    silent = replace(place(schedule, 0), because=Because(Bind.NOW, None, None, 0, "now"))

    assert rules(whole, replace(schedule, placed=(silent,))) == {"frozen"}


def test_a_move_inside_the_freeze_without_a_reason_is_caught():
    whole = problem([activity("a", release=9, announced=Announced(0, 5))], freeze_until=20)
    schedule = decode(whole, [0])
    silent = replace(place(schedule, 0), because=Because(Bind.NOW, None, None, 0, "now"))

    assert rules(whole, schedule) == set()
    assert rules(whole, replace(schedule, placed=(silent,))) == {"frozen"}
