"""Lateness by cause, load and idle time of crews, on problems small enough to count by hand."""

import random

import pytest

from contractor.engine.crew_report import OWN_WORK, Cause, Report, crew_report, path_back
from contractor.engine.decode import Schedule, decode
from contractor.engine.problem import Announced, Job, Link, Mode, Problem, Resource
from contractor.engine.schedule import Bind
from contractor.engine.worktime import SLOTS_PER_DAY
from tests.unit.engine.builders import (
    AXIS,
    OPEN,
    activity,
    by_crew,
    calendar_open,
    day_shifts,
    problem,
    wait_of,
)

DAY = SLOTS_PER_DAY
CREW = Cause(Bind.CREW, 0)


def report_of(whole: Problem, schedule: Schedule, edges: tuple[int, ...] = (0, 4000)) -> Report:
    """Return the report of crew 0, whose own calendar never closes."""
    return crew_report(whole, schedule, own_calendars={0: OPEN}, week_edges=edges)


def causes_of(whole: Problem, order: list[int]) -> dict[Cause, float]:
    """Return what the lateness of the only late job goes back to."""
    (late,) = report_of(whole, decode(whole, order)).late_jobs
    assert sum(days for _, days in late.causes) == pytest.approx(late.days)
    return {cause: pytest.approx(days) for cause, days in late.causes}


def two_jobs(first: int, second: int, *, due: int, **more: object) -> Problem:
    """Return two jobs of one activity each on one crew; the second is due."""
    rows = [activity("a", first), activity("b", second, job=1)]
    return problem(rows, jobs=(Job("j0"), Job("j1", due=due)), **more)


def test_a_crew_busy_on_another_job_bears_the_days_late():
    whole = two_jobs(3 * DAY, DAY, due=2 * DAY)

    assert causes_of(whole, [0, 1]) == {CREW: 2}


def test_no_cause_bears_more_days_than_were_waited_for_it():
    """One day behind the crew and five of its own work, promised in one: five late, one for it."""
    whole = two_jobs(DAY, 5 * DAY, due=DAY)

    assert causes_of(whole, [0, 1]) == {CREW: 1, OWN_WORK: 4}


def test_what_was_late_before_now_is_nobodys_doing():
    whole = two_jobs(2 * DAY, DAY, due=0, now=DAY)

    assert causes_of(whole, [0, 1]) == {CREW: 2, OWN_WORK: 2}


def test_waits_share_the_days_in_proportion_to_their_time():
    """Six days behind the crew, two of cure, four late: three and one."""
    rows = [activity("a", 6 * DAY), activity("b", DAY, job=1), activity("c", DAY, job=1)]
    links = [Link(1, 2, wait=0, why="cure")]
    jobs = (Job("j0"), Job("j1", due=6 * DAY))
    whole = problem(rows, links, jobs=jobs, waits=(wait_of(2 * DAY),))

    assert causes_of(whole, [0, 1, 2]) == {CREW: 3, Cause(Bind.LINK, None, "cure"): 1}


def test_a_chain_goes_on_through_other_jobs_to_a_date_from_outside():
    """The other job waits four days for its trusses and then holds the crew for two."""
    rows = [
        activity("a", 2 * DAY, release=4 * DAY, release_why="trusses"),
        activity("b", 5 * DAY, job=1),
    ]
    whole = problem(rows, jobs=(Job("j0"), Job("j1", due=5 * DAY)))

    assert causes_of(whole, [0, 1]) == {Cause(Bind.RELEASE, None, "trusses"): 4, CREW: 2}


def test_a_machine_that_another_crew_uses_bears_the_days():
    rows = [
        activity("a", modes=by_crew(3 * DAY, 0, machines=[2])),
        activity("b", modes=by_crew(DAY, 1, machines=[2]), job=1),
    ]
    resources = (Resource("c0", "Crew 0"), Resource("c1", "Crew 1"), Resource("m", "Auger rig"))
    whole = problem(rows, jobs=(Job("j0"), Job("j1", due=2 * DAY)), resources=resources)

    assert causes_of(whole, [0, 1]) == {Cause(Bind.MACHINE, 2): 2}


def test_behind_a_date_that_was_told_stands_what_the_crew_did_before():
    rows = [
        activity("a", 3 * DAY),
        activity("b", DAY, job=1, announced=Announced(0, 4 * DAY)),
    ]
    jobs = (Job("j0"), Job("j1", due=DAY))
    whole = problem(rows, jobs=jobs, freeze_until=5 * DAY)
    schedule = decode(whole, [0, 1])

    steps = path_back(whole, schedule, 1)

    assert [(step.activity, step.because.kind) for step in steps] == [
        (1, Bind.FROZEN),
        (1, Bind.CREW),
        (0, Bind.NOW),
    ]
    assert causes_of(whole, [0, 1]) == {CREW: 3, Cause(Bind.FROZEN): 1}


def test_a_job_with_a_part_that_has_no_dates_is_not_counted_as_late():
    rows = [activity("a", 3 * DAY), activity("b", modes=())]
    whole = problem(rows, jobs=(Job("j0", due=DAY),))

    assert report_of(whole, decode(whole, [0, 1])).late_jobs == ()


def test_a_crew_is_told_which_late_jobs_waited_for_it():
    whole = two_jobs(3 * DAY, DAY, due=2 * DAY)

    (crew,) = report_of(whole, decode(whole, [0, 1])).crews

    assert crew.late_days == ((1, pytest.approx(2)),)


def test_load_is_counted_week_by_week_in_the_crews_own_hours():
    """Day shifts are 32 slots long; ten of them are taken in two weeks of seven days."""
    shifts = day_shifts()
    whole = problem([activity("a", 10 * 32)], calendars=(shifts,))
    edges = (0, 7 * DAY, 14 * DAY)

    found = crew_report(
        whole, decode(whole, [0]), own_calendars={0: shifts}, week_edges=edges
    ).crews[0]

    assert [(week.open_slots, week.taken_slots) for week in found.weeks] == [
        (7 * 32, 7 * 32),
        (7 * 32, 3 * 32),
    ]


def test_idle_time_goes_to_what_the_next_work_waited_for():
    rows = [activity("a", 4), activity("b", 4)]
    whole = problem(rows, [Link(0, 1, wait=0, why="cure")], waits=(wait_of(50),))

    (crew,) = report_of(whole, decode(whole, [0, 1])).crews

    assert crew.idle == ((Cause(Bind.LINK, None, "cure"), 50),)
    assert crew.away_slots == 0


def test_hours_at_neither_site_are_driving_and_no_idle_time():
    """Shifts run from slot 28 to 60; at both sites from 30 to 58, so each drive is two slots."""
    site = calendar_open((30, 58), (DAY + 30, DAY + 58))
    rows = [activity(key, modes=(Mode(0, 28, 0),)) for key in "ab"]
    whole = problem(rows, calendars=(site,))

    found = crew_report(
        whole, decode(whole, [0, 1]), own_calendars={0: day_shifts()}, week_edges=(0, DAY)
    ).crews[0]

    assert (found.idle, found.away_slots) == ((), 4)


def test_a_crew_without_work_has_an_empty_report():
    whole = problem([activity("a", crews=[1])], crews=2)

    (crew,) = report_of(whole, decode(whole, [0]), edges=(0, 10)).crews

    assert (crew.weeks[0].open_slots, crew.weeks[0].taken_slots, crew.idle) == (10, 0, ())


@pytest.mark.parametrize("seed", range(12))
def test_causes_add_up_to_the_days_late_and_none_is_negative(seed: int):
    draw = random.Random(seed)
    rows = [
        activity(f"a{i}", draw.randint(10, 200), crews=draw.sample(range(3), 2), job=i // 3)
        for i in range(18)
    ]
    links = [Link(i, i + 1, wait=draw.choice([None, 0])) for i in range(17) if i % 3 < 2]
    jobs = tuple(Job(f"j{i}", due=draw.randint(50, 500)) for i in range(6))
    whole = problem(
        rows, links, crews=3, jobs=jobs, calendars=(day_shifts(),), waits=(wait_of(150),)
    )
    calendars = dict.fromkeys(range(3), whole.calendars[0])

    found = crew_report(
        whole,
        decode(whole, draw.sample(range(18), 18)),
        own_calendars=calendars,
        week_edges=(0, AXIS.slots),
    )

    assert found.late_jobs
    for late in found.late_jobs:
        assert sum(days for _, days in late.causes) == pytest.approx(late.days)
        assert all(days > 0 for _, days in late.causes)
    for crew in found.crews:
        assert crew.weeks[0].taken_slots <= crew.weeks[0].open_slots


def test_an_index_that_is_no_resource_is_refused():
    whole = problem([activity("a")])

    with pytest.raises(ValueError, match="crew 7"):
        crew_report(whole, decode(whole, [0]), own_calendars={7: OPEN}, week_edges=(0, 1))


def test_week_edges_that_fall_are_refused():
    whole = problem([activity("a")])

    with pytest.raises(ValueError, match="week_edges 9, 3"):
        report_of(whole, decode(whole, [0]), edges=(9, 3))
