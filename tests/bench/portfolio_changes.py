"""What may change in a portfolio whose plan has been announced: one report, one pin."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from contractor.engine.problem import Activity, Pin, Problem
from contractor.engine.schedule import Schedule
from contractor.engine.worktime import SLOTS_PER_DAY
from tests.bench.portfolio_told import told

TRUSSES_LATE_DAYS = 21
PINNED_LATER_DAYS = 2
LOOK_AHEAD_DAYS = 14


@dataclass(frozen=True, slots=True)
class Announcement:
    """A portfolio of all-round crews, its announced plan, and the slot that it is by now."""

    problem: Problem
    schedule: Schedule
    now: int


def nothing_new(world: Announcement) -> Problem:
    """Return the problem in which all went as it was announced."""
    return told(world.problem, world.schedule, now=world.now)


def trusses_late(world: Announcement) -> Problem:
    """Return the problem in which one job's trusses come three weeks after they were to be set."""
    problem = nothing_new(world)
    i = _first_ahead(problem, "trusses")
    release = told_start(problem.activities[i]) + TRUSSES_LATE_DAYS * SLOTS_PER_DAY
    return _with(problem, i, release=release, release_why="trusses come three weeks late")


def done_early(world: Announcement) -> Problem:
    """Return the problem in which the phase under way with most work left is reported done."""
    under_way = [
        activity
        for activity in nothing_new(world).activities
        if activity.under_way and activity.modes[0].crew is not None
    ]
    longest = max(under_way, key=lambda activity: activity.modes[0].work_slots)
    done = next(i for i, a in enumerate(world.problem.activities) if a.key == longest.key)
    return told(world.problem, world.schedule, now=world.now, done={done})


def pinned_later(world: Announcement) -> Problem:
    """Return the problem in which the office pins one phase two days after it was announced."""
    problem = nothing_new(world)
    i = _first_ahead(problem, "set posts")
    activity = problem.activities[i]
    assert activity.announced is not None
    mode = next(mode for mode in activity.modes if mode.crew == activity.announced.crew)
    later = activity.announced.start + PINNED_LATER_DAYS * SLOTS_PER_DAY
    start = problem.calendars[mode.calendar].next_working(later)
    return _with(problem, i, pin=Pin(mode.crew, start))


CHANGES: Mapping[str, Callable[[Announcement], Problem]] = {
    "nothing new": nothing_new,
    "trusses three weeks late": trusses_late,
    "one phase done early": done_early,
    "one phase pinned later": pinned_later,
}


def told_start(activity: Activity) -> int:
    """Return the start that was announced; everything in these portfolios has one."""
    assert activity.announced is not None
    return activity.announced.start


def _first_ahead(problem: Problem, phase: str) -> int:
    """Return the first such phase, by announced start, that begins two weeks from now or later."""
    since = problem.now + LOOK_AHEAD_DAYS * SLOTS_PER_DAY
    ahead = [
        (told_start(activity), i)
        for i, activity in enumerate(problem.activities)
        if activity.key.endswith(f":{phase}") and told_start(activity) >= since
    ]
    return min(ahead)[1]


def _with(problem: Problem, i: int, **change: object) -> Problem:
    activities = list(problem.activities)
    activities[i] = replace(activities[i], **change)  # type: ignore[arg-type]
    return replace(problem, activities=tuple(activities))
