import pytest

from contractor.engine.check import check
from contractor.engine.decode import Bind, decode
from contractor.engine.problem import Announced, Job, Link, Mode, Pin, Resource, Window
from contractor.engine.worktime import HorizonExceeded
from tests.unit.engine.builders import (
    AXIS,
    OPEN,
    activity,
    by_crew,
    calendar_open,
    day_shifts,
    place,
    problem,
    spans,
    wait_of,
)


def test_one_crew_does_one_thing_after_another():
    schedule = decode(problem([activity("a"), activity("b")]), [1, 0])

    assert spans(schedule) == [(4, 8), (0, 4)]


def test_nothing_starts_before_now():
    schedule = decode(problem([activity("a")], now=10), [0])

    assert place(schedule, 0).because.kind is Bind.NOW
    assert spans(schedule) == [(10, 14)]


def test_a_release_holds_and_says_why():
    schedule = decode(problem([activity("a", release=30, release_why="trusses arrive")]), [0])

    because = place(schedule, 0).because
    assert (because.kind, because.slot, because.why) == (Bind.RELEASE, 30, "trusses arrive")


def test_a_follower_waits_for_the_finish_of_its_leader():
    rows = [activity("a", crews=[0]), activity("b", crews=[1])]

    schedule = decode(problem(rows, [Link(0, 1, why="posts carry it")], crews=2), [1, 0])

    because = place(schedule, 1).because
    assert spans(schedule) == [(0, 4), (4, 8)]
    assert (because.kind, because.activity, because.why) == (Bind.LINK, 0, "posts carry it")


def test_a_wait_runs_on_the_axis_after_the_leader():
    rows = [activity("a"), activity("b")]

    schedule = decode(problem(rows, [Link(0, 1, wait=0)], waits=(wait_of(50),)), [0, 1])

    assert spans(schedule) == [(0, 4), (54, 58)]


def test_a_start_to_start_link_waits_for_the_start_alone():
    rows = [activity("a", crews=[0]), activity("b", crews=[1])]
    link = Link(0, 1, start_to_start=True, wait=0)

    schedule = decode(problem(rows, [link], crews=2, waits=(wait_of(2),)), [0, 1])

    assert spans(schedule) == [(0, 4), (2, 6)]


def test_a_wait_beyond_the_axis_raises_horizon_exceeded():
    rows = [activity("a"), activity("b")]

    with pytest.raises(HorizonExceeded):
        decode(problem(rows, [Link(0, 1, wait=0)], waits=(wait_of(AXIS.slots),)), [0, 1])


def test_work_beyond_the_axis_raises_horizon_exceeded():
    with pytest.raises(HorizonExceeded):
        decode(problem([activity("a", work=AXIS.slots + 1)]), [0])


def test_a_crew_whose_calendar_ends_is_passed_over_for_one_that_works():
    gone = calendar_open((0, 2))
    modes = (Mode(0, 8, 1), Mode(1, 8, 0))

    schedule = decode(problem([activity("a", modes=modes)], crews=2, calendars=(OPEN, gone)), [0])

    assert place(schedule, 0).mode == 1


def test_work_pauses_outside_working_time():
    rows = [activity("a", work=40)]

    schedule = decode(problem(rows, calendars=(day_shifts(),)), [0])

    assert spans(schedule) == [(28, 96 + 36)]


def test_a_short_pause_leaves_the_leader_as_the_reason():
    rows = [activity("a", work=32), activity("b", crews=[1])]

    schedule = decode(problem(rows, [(0, 1)], crews=2, calendars=(day_shifts(),)), [0, 1])

    placed = place(schedule, 1)
    assert placed.start == 96 + 28
    assert placed.because.kind is Bind.LINK
    assert placed.bounds[-1].kind is Bind.CALENDAR


def test_a_long_closure_is_a_reason_of_its_own_and_still_names_the_leader():
    closed = calendar_open((0, 4), (1000, 2000))
    rows = [activity("a"), activity("b", crews=[1])]

    schedule = decode(problem(rows, [(0, 1)], crews=2, calendars=(closed,)), [0, 1])

    because = place(schedule, 1).because
    assert (because.kind, because.activity, because.slot) == (Bind.CALENDAR, 0, 1000)


def test_a_later_activity_is_inserted_into_a_gap_that_holds_it():
    rows = [activity("a", release=10), activity("b", work=10), activity("c", work=11)]

    schedule = decode(problem(rows), [0, 1, 2])

    assert spans(schedule) == [(10, 14), (0, 10), (14, 25)]


def test_a_busy_crew_is_the_reason_and_names_who_holds_it():
    schedule = decode(problem([activity("a"), activity("b")]), [0, 1])

    because = place(schedule, 1).because
    assert (because.kind, because.activity, because.resource) == (Bind.CREW, 0, 0)
    assert because.why == "Crew 0 is on a"


def test_a_busy_machine_is_the_reason_and_names_who_holds_it():
    rows = [
        activity("a", modes=by_crew(4, 0, machines=[2])),
        activity("b", modes=by_crew(4, 1, machines=[2])),
    ]

    schedule = decode(problem(rows, crews=3), [0, 1])

    because = place(schedule, 1).because
    assert (because.kind, because.activity, because.resource) == (Bind.MACHINE, 0, 2)


def test_a_blocked_stretch_is_never_worked_through():
    crew = Resource("c0", "Crew 0", blocked=((2, 9),))

    schedule = decode(problem([activity("a")], resources=(crew,)), [0])

    assert spans(schedule) == [(9, 13)]
    assert place(schedule, 0).because.why == "Crew 0 is blocked"


def test_a_machine_of_two_units_serves_two_at_once():
    rows = [activity(key, modes=by_crew(4, None, machines=[0])) for key in "abc"]
    lifts = (Resource("lift", "Lift", capacity=2),)

    assert spans(decode(problem(rows, resources=lifts), [0, 1, 2])) == [(0, 4), (0, 4), (4, 8)]


def test_a_machine_named_twice_is_taken_in_two_units():
    rows = [
        activity("a", modes=by_crew(4, None, machines=[0, 0])),
        activity("b", modes=by_crew(4, None, machines=[0])),
    ]
    lifts = (Resource("lift", "Lift", capacity=2),)

    assert spans(decode(problem(rows, resources=lifts), [0, 1])) == [(0, 4), (4, 8)]


def test_an_activity_lies_wholly_inside_one_window():
    rows = [activity("a", windows=(Window(0, 3), Window(10, 14), Window(20, 30)))]

    schedule = decode(problem(rows), [0])

    assert spans(schedule) == [(10, 14)]
    assert place(schedule, 0).because.kind is Bind.WINDOW


def test_a_window_inside_another_does_not_narrow_it():
    rows = [activity("a", work=8, windows=(Window(0, 30), Window(2, 6)))]

    assert spans(decode(problem(rows), [0])) == [(0, 8)]


def test_without_a_window_long_enough_it_is_unplanned_with_that_reason():
    schedule = decode(problem([activity("a", windows=(Window(0, 3),))]), [0])

    assert schedule.placed == (None,)
    assert "no window" in schedule.unplanned[0].reason


def test_what_nobody_can_do_is_unplanned_and_so_is_what_follows():
    rows = [
        activity("a", modes=(), no_mode_why="no crew sets trusses"),
        activity("b"),
        activity("c"),
    ]

    schedule = decode(problem(rows, [(0, 1), (1, 2)]), [0, 1, 2])

    assert [entry.reason for entry in schedule.unplanned] == [
        "no crew sets trusses",
        "waits for a, which is not planned",
        "waits for b, which is not planned",
    ]


def test_no_work_takes_no_crew_time():
    rows = [activity("a", work=10), activity("b", work=0, release=4)]

    assert spans(decode(problem(rows), [0, 1])) == [(0, 10), (4, 4)]


def test_the_crew_that_finishes_first_is_taken():
    rows = [activity("a", modes=(Mode(0, 9, 0), Mode(1, 5, 0)))]

    assert place(decode(problem(rows, crews=2), [0]), 0).mode == 1


def test_a_job_stays_with_its_crew_unless_another_is_clearly_faster():
    rows = [activity("a", crews=[0]), activity("b", modes=(Mode(0, 20, 0), Mode(1, 11, 0)))]

    stays = decode(problem(rows, [(0, 1)], crews=2, change_crew_slots=10), [0, 1])
    leaves = decode(problem(rows, [(0, 1)], crews=2, change_crew_slots=9), [0, 1])

    assert place(stays, 1).mode == 0
    assert place(leaves, 1).mode == 1


def test_the_preferred_crew_of_a_job_counts_from_its_first_activity():
    rows = [activity("a", modes=(Mode(0, 8, 0), Mode(1, 4, 0)))]

    schedule = decode(problem(rows, crews=2, jobs=(Job("j", preferred_crew=0),)), [0])

    assert place(schedule, 0).mode == 0


def test_a_crew_choice_is_followed_where_there_is_such_a_mode():
    rows = [activity("a", crews=[0, 1]), activity("b", crews=[0])]

    schedule = decode(problem(rows, crews=2), [0, 1], crew_choice={0: 1, 1: 1})

    assert [place(schedule, i).mode for i in range(2)] == [1, 0]


def test_an_order_against_a_link_takes_the_leader_first():
    rows = [activity("a"), activity("b")]

    assert spans(decode(problem(rows, [(1, 0)]), [0, 1])) == [(4, 8), (0, 4)]


@pytest.mark.parametrize(
    ("order", "message"),
    [([0], "activity 1 is not named"), ([0, 0], "named twice"), ([0, 2], "2 is not an activity")],
)
def test_an_order_that_is_no_permutation_is_refused(order, message):
    with pytest.raises(ValueError, match=message):
        decode(problem([activity("a"), activity("b")]), order)


def test_work_under_way_goes_first_whatever_the_order_says():
    rows = [activity("a", work=20), activity("b", under_way=True)]

    schedule = decode(problem(rows, now=5), [0, 1])

    assert spans(schedule) == [(9, 29), (5, 9)]
    assert place(schedule, 1).because.why == "under way"


def test_work_under_way_is_not_held_by_links():
    rows = [activity("a"), activity("b", under_way=True)]

    assert spans(decode(problem(rows, [(0, 1)]), [0, 1])) == [(4, 8), (0, 4)]


def test_work_under_way_stays_with_the_announced_crew():
    row = activity("a", crews=[0, 1], under_way=True, announced=Announced(1, 0))

    assert place(decode(problem([row], crews=2), [0]), 0).mode == 1


def test_a_pin_is_kept_and_others_work_around_it():
    rows = [activity("a", work=10), activity("b", pin=Pin(0, 6))]

    schedule = decode(problem(rows), [0, 1])

    assert spans(schedule) == [(10, 20), (6, 10)]
    assert place(schedule, 1).because.kind is Bind.PIN
    assert schedule.broken_pins == ()


def test_a_pin_before_its_leader_is_broken_with_the_reason_and_nearest_start():
    rows = [activity("a", work=10), activity("b", crews=[1], pin=Pin(1, 6))]

    schedule = decode(problem(rows, [(0, 1)], crews=2), [0, 1])

    broken = schedule.broken_pins[0]
    assert (broken.activity, broken.reason, broken.nearest_start) == (1, "follows a", 10)
    assert spans(schedule)[1] == (10, 14)


def test_a_pin_to_a_crew_that_cannot_do_it_is_broken():
    schedule = decode(problem([activity("a", pin=Pin(1, 3))], crews=2), [0])

    broken = schedule.broken_pins[0]
    assert (broken.reason, broken.nearest_start) == ("Crew 1 cannot do it", 3)


def test_a_pin_outside_working_time_is_broken():
    rows = [activity("a", pin=Pin(0, 3))]

    schedule = decode(problem(rows, calendars=(day_shifts(),)), [0])

    broken = schedule.broken_pins[0]
    assert broken.reason == "the pinned start is outside working time"
    assert broken.nearest_start == 28


def test_of_two_pins_on_one_crew_the_second_breaks_and_names_the_first():
    rows = [activity("a", pin=Pin(0, 6)), activity("b", pin=Pin(0, 8))]

    schedule = decode(problem(rows), [1, 0])

    assert [entry.activity for entry in schedule.broken_pins] == [1]
    assert schedule.broken_pins[0].reason == "Crew 0 is on a"


def test_a_pin_on_what_nobody_can_do_is_broken_without_a_nearest_start():
    rows = [activity("a", modes=(), no_mode_why="no crew", pin=Pin(0, 6))]

    broken = decode(problem(rows), [0]).broken_pins[0]

    assert (broken.reason, broken.nearest_start) == ("no crew", None)


def test_an_announced_start_inside_the_freeze_keeps_crew_and_start():
    rows = [activity("a", work=30), activity("b", crews=[0, 1], announced=Announced(0, 8))]

    schedule = decode(problem(rows, crews=2, freeze_until=10), [0, 1])

    placed = place(schedule, 1)
    assert (placed.start, placed.mode, placed.because.kind) == (8, 0, Bind.FROZEN)
    assert spans(schedule)[0] == (12, 42)


def test_an_announced_start_outside_the_freeze_may_move_earlier():
    rows = [activity("a", announced=Announced(0, 8))]

    assert spans(decode(problem(rows, freeze_until=8), [0])) == [(0, 4)]


def test_a_frozen_start_that_cannot_be_kept_moves_right_the_least_and_says_why():
    rows = [activity("a", release=9), activity("b", crews=[1], announced=Announced(1, 8))]

    schedule = decode(problem(rows, [(0, 1)], crews=2, freeze_until=20), [0, 1])

    because = place(schedule, 1).because
    assert spans(schedule)[1] == (13, 17)
    assert (because.kind, because.activity) == (Bind.FROZEN, 0)
    assert because.why == "later than announced: follows a"


def test_a_pin_set_inside_the_freeze_beats_an_announced_start():
    rows = [activity("a", announced=Announced(0, 8)), activity("b", pin=Pin(0, 8))]

    assert spans(decode(problem(rows, freeze_until=20), [0, 1])) == [(12, 16), (8, 12)]


def test_a_right_shift_moves_what_must_and_keeps_the_order_on_the_crew():
    rows = [
        activity("a", announced=Announced(0, 0), release=20),
        activity("b", announced=Announced(0, 4)),
        activity("c", announced=Announced(0, 60)),
    ]

    schedule = decode(problem(rows), [2, 1, 0], right_shift=True)

    assert spans(schedule) == [(20, 24), (24, 28), (60, 64)]
    assert place(schedule, 1).because.why == "later than announced: Crew 0 is on a"
    assert place(schedule, 2).because.why == "kept where it was announced"


def test_an_announced_start_outside_working_time_says_that_this_moved_it():
    rows = [activity("a", announced=Announced(0, 4))]

    schedule = decode(problem(rows, calendars=(day_shifts(),)), [0], right_shift=True)

    because = place(schedule, 0).because
    assert (place(schedule, 0).start, because.slot) == (28, 4)
    assert because.why == "later than announced: that time is not worked"


def test_all_lower_bounds_are_listed_and_the_latest_binds():
    rows = [activity("a", work=6), activity("b", release=3, crews=[1])]

    placed = place(decode(problem(rows, [(0, 1)], crews=2), [0, 1]), 1)

    assert [bound.kind for bound in placed.bounds] == [Bind.NOW, Bind.RELEASE, Bind.LINK]
    assert placed.because == placed.bounds[2]


def test_an_empty_problem_has_an_empty_schedule():
    schedule = decode(problem([], jobs=()), [])

    assert (schedule.placed, schedule.unplanned) == ((), ())


def test_a_plan_with_everything_in_it_passes_the_check():
    rows = [
        activity("a", work=40, under_way=True),
        activity("b", work=20, pin=Pin(1, 200), crews=[0, 1]),
        activity("c", work=8, windows=(Window(100, 140), Window(210, 300))),
        activity("d", modes=()),
        activity("e", crews=[0, 1], announced=Announced(1, 130)),
    ]
    whole = problem(
        rows, [Link(0, 1, wait=0), (1, 2)], crews=2, waits=(wait_of(9),),
        calendars=(day_shifts(),), freeze_until=150,
    )  # fmt: skip

    assert check(whole, decode(whole, range(5))) == ()


def test_without_a_threshold_a_job_still_keeps_its_crew_when_another_is_no_faster():
    rows = [activity("a", crews=[1]), activity("b", crews=[0, 1])]

    schedule = decode(problem(rows, [(0, 1)], crews=2, change_crew_slots=0), [0, 1])

    assert place(schedule, 1).mode == 1


def test_what_leads_to_a_pin_is_placed_before_other_open_work():
    rows = [
        activity("a", work=20),
        activity("b", work=4),
        activity("c", crews=[1], pin=Pin(1, 4)),
    ]

    schedule = decode(problem(rows, [(1, 2)], crews=2), [0, 1, 2])

    assert spans(schedule) == [(4, 24), (0, 4), (4, 8)]
    assert schedule.broken_pins == ()
