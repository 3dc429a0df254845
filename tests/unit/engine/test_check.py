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

    assert rules(whole, moved(schedule, 1, start=2, finish=6)) == {"overlap", "because"}


def test_more_than_the_capacity_at_once_is_caught_and_just_as_many_are_not():
    rows = [activity(key, modes=by_crew(4, None, machines=[0])) for key in "abc"]
    whole = problem(rows, resources=(Resource("lift", "Lift", capacity=2),))
    schedule = decode(whole, [0, 1, 2])

    assert rules(whole, schedule) == set()
    assert rules(whole, moved(schedule, 2, start=3, finish=7)) == {"overlap", "because"}


def test_a_start_to_start_link_is_checked_against_the_start():
    rows = [activity("a", crews=[0]), activity("b", crews=[1])]
    whole = problem(rows, [Link(0, 1, start_to_start=True, wait=0)], crews=2, waits=(wait_of(2),))
    schedule = decode(whole, [0, 1])

    assert rules(whole, schedule) == set()
    assert rules(whole, moved(schedule, 1, start=1, finish=5)) == {"link", "because"}


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
    assert rules(whole, broken) == {"pause", "because"}
    assert rules(replace(whole, longest_pause_slots=400), broken) == {"because"}


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


def test_what_nothing_holds_may_not_be_left_out_though_a_reason_is_given():
    whole = problem([activity("a"), activity("b")], [(0, 1)])
    schedule = decode(whole, [0, 1])
    left_out = replace(schedule, placed=(None, None), unplanned=(Unplanned(0, "x"),))
    waiting = replace(left_out, unplanned=(Unplanned(0, "x"), Unplanned(1, "y")))

    assert [v.activity for v in check(whole, waiting) if v.rule == "unplanned"] == [0]


@pytest.mark.parametrize("number", [-1, 6])
def test_a_list_that_names_what_is_not_there_is_caught(number):
    whole, schedule = sound()
    unplanned = replace(schedule, unplanned=(*schedule.unplanned, Unplanned(number, "x")))
    broken = replace(schedule, broken_pins=(BrokenPin(number, "x", None),))

    assert rules(whole, unplanned) == {"unplanned"}
    assert rules(whole, broken) == {"pin"}


@pytest.mark.parametrize(
    "because",
    [
        Because(Bind.NOW, None, None, 0, " "),
        Because(Bind.RELEASE, None, None, 41, "later than the start"),
        Because(Bind.LINK, 2, None, 36, "no such link"),
        Because(Bind.LINK, None, None, 36, "a link to nothing"),
        Because(Bind.CREW, 0, 1, 36, "a crew that it is not on"),
        Because(Bind.CREW, 2, 0, 36, "work of another crew"),
        Because(Bind.CREW, 99, 0, 36, "work that is not there"),
    ],
)
def test_a_reason_that_cannot_hold_is_caught(because):
    whole, schedule = sound()
    rows = list(schedule.placed)
    rows[1] = replace(place(schedule, 1), because=because)

    assert rules(whole, replace(schedule, placed=tuple(rows))) == {"because"}


def test_work_held_back_for_what_does_not_follow_it_is_caught():
    whole, schedule = sound()
    rows = list(schedule.placed)
    rows[1] = replace(place(schedule, 1), because=Because(Bind.FLOW, 0, None, 40, "held back"))

    assert rules(whole, replace(schedule, placed=tuple(rows))) == {"flow"}


def test_work_under_way_that_waits_is_caught_but_not_where_it_is_blocked():
    resources = (Resource("c0", "Crew 0"),)
    whole = problem([activity("a", under_way=True)], resources=resources, now=20)
    blocked = replace(whole, resources=(replace(resources[0], blocked=((22, 30),)),))
    late = moved(decode(whole, [0]), 0, start=30, finish=34)

    assert rules(whole, late) == {"under_way"}
    assert rules(blocked, late) == set()
    assert rules(blocked, decode(blocked, [0])) == set()
