"""Early work is held back so that a job runs through, and nothing that follows is delayed."""

import pytest

from contractor.engine.decode import Bind, decode
from contractor.engine.problem import Announced, Job, Link, Pin, Window
from tests.unit.engine.builders import (
    activity,
    calendar_open,
    day_shifts,
    place,
    problem,
    spans,
    wait_of,
)

TRUSSES_COME = 500


def dig_and_set(*, first=None, **more):
    """Return a problem of two phases: the second cannot start before slot 500."""
    more.setdefault("float_slots", 10)
    more.setdefault("crews", 2)
    return problem(
        [
            first or activity("dig", work=4),
            activity("set", work=4, crews=[1], release=TRUSSES_COME),
        ],
        more.pop("links", [(0, 1)]),
        **more,
    )


def test_early_work_ends_the_float_before_its_follower():
    schedule = decode(dig_and_set(), [0, 1])

    assert spans(schedule) == [(486, 490), (500, 504)]


def test_work_held_back_names_what_it_was_moved_toward():
    because = place(decode(dig_and_set(), [0, 1]), 0).because

    assert (because.kind, because.activity, because.slot) == (Bind.FLOW, 1, 486)
    assert because.why == "begun later on purpose, nearer to set"


def test_one_float_serves_a_whole_chain():
    chain = problem(
        [activity("a"), activity("b"), activity("c", release=TRUSSES_COME)],
        [(0, 1), (1, 2)],
        float_slots=10,
    )

    assert spans(decode(chain, [0, 1, 2])) == [(482, 486), (486, 490), (500, 504)]


def test_a_gap_within_the_float_is_left():
    schedule = decode(dig_and_set(float_slots=496), [0, 1])

    assert place(schedule, 0).start == 0


def test_a_wait_is_kept_before_the_float():
    cured = dig_and_set(links=[Link(0, 1, wait=0)], waits=(wait_of(30),))

    assert spans(decode(cured, [0, 1]))[0] == (456, 460)


def together(dig: int, set_: int):
    """Return a problem whose second phase begins with the first, and no float."""
    return problem(
        [
            activity("dig", work=dig),
            activity("set", work=set_, crews=[1], release=TRUSSES_COME),
        ],
        [Link(0, 1, start_to_start=True)],
        crews=2,
        float_slots=0,
    )


def test_a_start_to_start_link_limits_the_start():
    assert spans(decode(together(40, 60), [0, 1])) == [(500, 540), (500, 560)]


def test_what_may_end_last_is_not_held_back_beyond_the_end_of_its_job():
    assert spans(decode(together(40, 4), [0, 1])) == [(464, 504), (500, 504)]


def test_the_float_is_counted_in_working_time():
    days = dig_and_set(calendars=(day_shifts(),), float_slots=32)

    # 500 lies on day 5 (480 to 576), before its hours 508 to 540; a working day before is day 3.
    assert spans(decode(days, [0, 1]))[0] == (344, 348)


def test_the_last_free_time_of_the_crew_is_taken():
    other_job = activity("other", work=100, job=1, release=420)
    whole = problem(
        [
            activity("dig"),
            activity("set", crews=[1], release=TRUSSES_COME),
            other_job,
        ],
        [(0, 1)],
        crews=2,
        float_slots=10,
    )

    assert spans(decode(whole, [2, 0, 1]))[0] == (416, 420)


def test_held_back_work_stays_inside_its_window():
    windows = (Window(0, 100), Window(200, 300))

    schedule = decode(dig_and_set(first=activity("dig", windows=windows)), [0, 1])

    assert spans(schedule)[0] == (296, 300)


@pytest.mark.parametrize(
    "first",
    [
        activity("dig", pin=Pin(0, 8)),
        activity("dig", under_way=True),
        activity("dig", announced=Announced(0, 8)),
    ],
    ids=["pinned", "under way", "announced inside the freeze"],
)
def test_fixed_work_stays(first):
    schedule = decode(dig_and_set(first=first, freeze_until=20), [0, 1])

    assert place(schedule, 0).start < 20


def test_announced_work_moves_no_later_than_announced():
    schedule = decode(dig_and_set(first=activity("dig", announced=Announced(0, 300))), [0, 1])

    assert place(schedule, 0).start == 300


def test_a_job_that_has_begun_is_not_held_back():
    schedule = decode(dig_and_set(jobs=(Job("j0", begun=True),)), [0, 1])

    assert place(schedule, 0).start == 0


def test_work_is_not_held_back_for_what_is_not_planned():
    schedule = decode(
        problem([activity("dig"), activity("set", modes=())], [(0, 1)], float_slots=0), [0, 1]
    )

    assert place(schedule, 0).start == 0


def test_phases_that_took_turns_on_a_crew_keep_their_turns():
    roof_walls_doors = problem(
        [
            activity("roof", work=10),
            activity("walls", work=10),
            activity("doors", release=TRUSSES_COME, crews=[1]),
        ],
        [(0, 2)],
        crews=2,
        float_slots=10,
    )

    # The walls waited for the crew to leave the roof and are followed by nothing.
    assert spans(decode(roof_walls_doors, [0, 1, 2]))[:2] == [(0, 10), (10, 20)]


def test_a_visit_of_others_keeps_its_place_in_the_day():
    visits = calendar_open(*((d * 96 + 32, d * 96 + 48) for d in range(20)))
    inspected = dig_and_set(
        first=activity("inspection", work=16, crews=[None]), calendars=(visits,)
    )

    start, finish = spans(decode(inspected, [0, 1]))[0]

    assert (start % 96, finish % 96) == (32, 48)
    # The float of ten working slots is cut from the visit on day 4, so day 3 it is.
    assert start == 3 * 96 + 32


def test_a_held_back_phase_no_longer_stands_in_the_way_of_those_behind_it():
    whole = problem(
        [
            activity("dig", work=20),
            activity("set", crews=[1], release=TRUSSES_COME),
            activity("other", work=20, job=1),
        ],
        [(0, 1)],
        crews=2,
        float_slots=10,
    )

    assert place(decode(whole, [0, 2, 1]), 2).start == 20
    because = place(decode(whole, [0, 2, 1]), 2).because
    assert because.activity is None
    assert because.why == "Crew 0 was kept for dig, which has been held back since"
    assert place(decode(whole, [0, 1, 2]), 2).start == 0
