"""A job is seen through on every crew before one is chosen, and begun later where that pays."""

from contractor.engine.decode import Bind, decode, to_schedule
from contractor.engine.passes import run_serial
from contractor.engine.prepared import prepare
from contractor.engine.problem import Announced, Job, Mode, Resource
from contractor.engine.worktime import SLOTS_PER_DAY
from tests.unit.engine.builders import activity, place, problem, run_staffed

DAY = SLOTS_PER_DAY


def crews_of(whole, dates):
    return [dates.crew[i] for i in range(len(whole.activities))]


def test_the_first_crew_is_the_one_that_can_do_most_of_the_job():
    whole = problem(
        [activity("layout", crews=[0, 1]), activity("frame", work=60, crews=[1])],
        [(0, 1)],
        crews=2,
    )

    schedule = decode(whole, [0, 1])

    assert whole.activities[0].modes[place(schedule, 0).mode].crew == 1


def test_a_crew_that_can_do_little_is_taken_where_the_other_comes_much_later():
    busy = activity("busy", work=100, crews=[1], job=1)
    layout = activity("layout", crews=[0, 1])
    frame = activity("frame", work=60, crews=[1])
    whole = problem([busy, layout, frame], [(1, 2)], crews=2, change_crew_slots=64)

    schedule = decode(whole, [0, 1, 2])

    assert whole.activities[1].modes[place(schedule, 1).mode].crew == 0


def test_trying_finds_the_crew_that_is_free_for_the_whole_job():
    # Crew 0 is free today and then away for long; crew 1 is free from tomorrow on.
    away = activity("away", work=40 * DAY, crews=[0], job=1, release=10, under_way=True)
    soon = activity("soon", work=DAY, crews=[1], job=2, under_way=True)
    rows = [away, soon, activity("dig", crews=[0, 1]), activity("set", work=DAY, crews=[0, 1])]
    whole = problem(rows, [(2, 3)], crews=2, change_crew_slots=2 * DAY)
    prepared = prepare(whole)

    assert crews_of(whole, run_serial(prepared, range(4)))[2] == 0
    assert crews_of(whole, run_staffed(prepared, range(4)))[2:] == [1, 1]


def torn_apart(**more):
    """Return a job whose crew has four free days now, and weeks of time after a long absence."""
    away = activity("away", work=30 * DAY, job=1, release=4 * DAY, under_way=True)
    rows = [
        away,
        activity("dig", work=2 * DAY, **more),
        activity("set", work=2 * DAY),
        activity("roof", work=2 * DAY),
    ]
    return problem(rows, [(1, 2), (2, 3)], float_slots=0)


def test_a_job_begins_later_rather_than_lie_open():
    schedule = decode(torn_apart(), range(4))
    dates = run_staffed(prepare(torn_apart()), range(4))

    assert place(schedule, 1).start == 0
    assert dates.start[1] >= 34 * DAY


def test_a_job_that_begins_later_says_why():
    whole = torn_apart()

    schedule = to_schedule(whole, run_staffed(prepare(whole), range(4)))

    assert any(
        bound.kind is Bind.FLOW and bound.activity is None for bound in place(schedule, 1).bounds
    )


def test_what_was_told_does_not_begin_later():
    whole = torn_apart(announced=Announced(0, 0))

    assert run_staffed(prepare(whole), range(4)).start[1] == 0


def test_a_job_of_which_nothing_can_be_planned_is_left_unplanned():
    whole = problem([activity("dig", modes=()), activity("set")], [(0, 1)])

    dates = run_staffed(prepare(whole), range(2))

    assert dates.held_by == {0: 0, 1: 0}


def test_a_job_that_waits_for_another_is_placed_behind_it():
    whole = problem(
        [activity("set"), activity("dig", job=1, work=10)],
        [(1, 0)],
        jobs=(Job("j0"), Job("j1")),
    )

    dates = run_staffed(prepare(whole), range(2))

    assert dates.start == [10, 0]


def test_the_own_crew_takes_another_machine_for_any_gain():
    rigs = (Resource("c0", "Crew 0"), Resource("r1", "Rig 1"), Resource("r2", "Rig 2"))
    away = activity("away", modes=(Mode(None, 50, 0, (1,)),), job=1, under_way=True)
    dig = activity("dig", modes=(Mode(0, 4, 0, (1,)), Mode(0, 4, 0, (2,))))
    whole = problem([away, dig], resources=rigs, change_crew_slots=480)

    assert place(decode(whole, [0, 1]), 1).start == 0


def test_what_was_told_to_others_stays_with_others():
    told = Announced(None, 0)
    slab = activity("slab", modes=(Mode(None, 8, 0), Mode(0, 4, 0)), announced=told)

    schedule = decode(problem([slab]), [0], right_shift=True)

    assert place(schedule, 0).mode == 0
