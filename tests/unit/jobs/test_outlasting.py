"""Draws in which work takes longer than people are lent for."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from contractor.engine.planner import plan
from contractor.engine.problem import Activity, Job, Mode, Problem, Resource
from contractor.engine.simulate.chances import ActivityChances, Chances
from contractor.engine.simulate.simulation import simulate
from contractor.engine.worktime import SLOTS_PER_DAY, Axis, weekly_calendar
from jobs.services.outlasting import outlasting

MONDAY = datetime(2026, 6, 1, tzinfo=UTC)
DAYS, RUNS = 60, 200
LENT, ALWAYS = 0, 1
EIGHT_HOURS = 32


def problem(*ways: Mode) -> Problem:
    """Return one activity, to be done in these ways, from Monday on."""
    axis = Axis(MONDAY, DAYS * SLOTS_PER_DAY)
    week = dict.fromkeys(range(5), ((time(8), time(16)),))
    others = {MONDAY.date() + timedelta(days=n) for n in range(1, DAYS)}
    calendars = tuple(
        weekly_calendar(key=key, axis=axis, zone=ZoneInfo("UTC"), weekly=week, closed=closed)
        for key, closed in (("on Monday", others), ("always", ()))
    )
    return Problem(
        axis=axis,
        now=0,
        calendars=calendars,
        resources=(Resource("crew", "Crew"),),
        activities=(Activity("work", 0, ways),),
        links=(),
        waits=(),
        jobs=(Job("job", due=DAYS * SLOTS_PER_DAY),),
    )


def latest_finish(told: Problem) -> int:
    """Return the latest finish of many draws in which the work takes longer half of the time."""
    schedule = plan(problem(*told.activities[0].modes)).schedule
    chances = Chances(by_activity={0: ActivityChances(log_mean=0.0, log_sd=0.3)}, by_resource={})
    drawn = simulate(told, schedule, chances, runs=RUNS, seed=1)
    return int(drawn.finishes.max())


def test_work_goes_on_where_its_crew_works_after_the_lent_people_left():
    told = problem(Mode(0, EIGHT_HOURS, LENT), Mode(0, 2 * EIGHT_HOURS, ALWAYS))
    schedule = plan(told).schedule
    (placed,) = schedule.placed
    assert placed is not None
    assert placed.mode == 0

    found = outlasting(told, schedule)

    assert [mode.calendar for mode in found.activities[0].modes] == [ALWAYS, ALWAYS]
    assert [mode.work_slots for mode in found.activities[0].modes] == [32, 64]
    # Without it, those draws would never end.
    assert latest_finish(told) >= DAYS * SLOTS_PER_DAY
    assert latest_finish(found) < 5 * SLOTS_PER_DAY


def test_what_is_always_there_and_what_is_no_crews_stays_as_it_is():
    always = problem(Mode(0, EIGHT_HOURS, ALWAYS))
    nobodys = replace(always, activities=(Activity("visit", 0, (Mode(None, 4, LENT),)),))

    for told in (always, nobodys):
        assert outlasting(told, plan(told).schedule).activities == told.activities
