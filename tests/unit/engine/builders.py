"""Small problems for tests: one slot is one slot, and calendars never close unless asked to."""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import Any

import numpy as np

from contractor.engine.dates import Dates, dates_of
from contractor.engine.decode import Placed, Schedule
from contractor.engine.layout import Layout
from contractor.engine.occupancy import new_state
from contractor.engine.passes import pass_into, positions
from contractor.engine.problem import Activity, Job, Link, Mode, Problem, Resource, Wait
from contractor.engine.worktime import Axis, WorkCalendar, always_open

AXIS = Axis(datetime(2026, 3, 2, tzinfo=UTC), 4000)
OPEN = always_open("open", AXIS)


def calendar_open(*stretches: tuple[int, int], key: str = "part") -> WorkCalendar:
    """Return a calendar on AXIS that works only during `stretches`."""
    working = np.zeros(AXIS.slots, dtype=np.bool_)
    for begins, ends in stretches:
        working[begins:ends] = True
    return WorkCalendar(key, working)


def day_shifts(key: str = "days") -> WorkCalendar:
    """Return a calendar on AXIS that works slots 28 to 60 of each 96."""
    return calendar_open(*((d * 96 + 28, d * 96 + 60) for d in range(AXIS.slots // 96)), key=key)


def by_crew(work: int, *crews: int | None, calendar: int = 0, machines: Sequence[int] = ()) -> Any:
    """Return one mode for each crew, all with the same work."""
    return tuple(Mode(crew, work, calendar, tuple(machines)) for crew in crews)


def activity(key: str, work: int = 4, crews: Sequence[int | None] = (0,), **more: Any) -> Activity:
    """Return an activity of job 0 that each of `crews` can do."""
    more.setdefault("modes", by_crew(work, *crews))
    more.setdefault("job", 0)
    return Activity(key, **more)


def problem(
    activities: Iterable[Activity],
    links: Iterable[tuple[int, int] | Link] = (),
    *,
    crews: int = 1,
    **more: Any,
) -> Problem:
    """Return a problem on AXIS with `crews` crews; links may be pairs of indexes."""
    rows = tuple(activities)
    more.setdefault("resources", tuple(Resource(f"c{i}", f"Crew {i}") for i in range(crews)))
    jobs = 1 + max((row.job for row in rows), default=0)
    more.setdefault("jobs", tuple(Job(f"j{i}") for i in range(jobs)))
    more.setdefault("calendars", (OPEN,))
    more.setdefault("waits", ())
    more.setdefault("now", 0)
    return Problem(
        axis=AXIS,
        activities=rows,
        links=tuple(link if isinstance(link, Link) else Link(*link) for link in links),
        **more,
    )


def wait_of(slots: int, key: str = "wait") -> Wait:
    """Return a plain wait of `slots` on AXIS."""
    return Wait.lag(key, AXIS, slots * 15)


def run_staffed(layout: Layout, order: Sequence[int]) -> Dates:
    """Return dates for all activities, each job on the crew with which it costs least by then."""
    state = new_state(layout)
    pass_into(layout, state, positions(order, layout.size), staffs=True)
    return dates_of(layout, state)


def place(schedule: Schedule, index: int) -> Placed:
    """Return the place of an activity that must have one."""
    placed = schedule.placed[index]
    assert placed is not None
    return placed


def spans(schedule: Schedule) -> list[tuple[int, int] | None]:
    """Return start and finish of each activity."""
    return [None if p is None else (p.start, p.finish) for p in schedule.placed]
