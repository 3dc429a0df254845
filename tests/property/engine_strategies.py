"""Problems of the engine with everything in them, and what tests ask of their plans."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

from contractor.engine.compare import Row
from contractor.engine.decode import Schedule
from contractor.engine.problem import (
    Activity,
    Announced,
    Job,
    Link,
    Mode,
    Pin,
    Problem,
    Resource,
    Wait,
    Window,
)
from contractor.engine.worktime import Axis, WorkCalendar, always_open

AXIS = Axis(datetime(2026, 3, 2, tzinfo=UTC), 6000)
CREWS = 3
MACHINE = 3
SLOTS = st.integers(0, 300)
RELAXED = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def _calendar(begins: int, ends: int, off: int) -> WorkCalendar:
    """Return a calendar of 24-slot days worked from `begins` to `ends`, every `off`-th day not."""
    slot = np.arange(AXIS.slots)
    in_day = (slot % 24 >= begins) & (slot % 24 < ends)
    return WorkCalendar(f"{begins}-{ends}-{off}", in_day & (slot // 24 % off != off - 1))


CALENDARS = (
    always_open("open", AXIS),
    _calendar(6, 16, 7),
    _calendar(8, 14, 5),
    _calendar(0, 9, 3),
)


@st.composite
def waits(draw: st.DrawFn) -> Wait:
    """A wait with cut-offs: a plain lag, then on to the next multiple of a step."""
    lag, step = draw(st.integers(0, 40)), draw(st.integers(1, 30))
    slot = np.arange(AXIS.slots + 1) + lag
    return Wait(f"{draw(st.uuids())}", -(-slot // step) * step)


@st.composite
def modes(draw: st.DrawFn) -> tuple[Mode, ...]:
    fewest = 1 if draw(st.integers(0, 19)) else 0
    anyone = st.sampled_from([None, *range(CREWS)])
    crews = draw(st.lists(anyone, min_size=fewest, max_size=3, unique=True))
    machines = draw(st.sampled_from([(), (), (MACHINE,), (MACHINE, MACHINE)]))
    calendar = st.integers(0, len(CALENDARS) - 1)
    return tuple(Mode(crew, draw(st.integers(0, 40)), draw(calendar), machines) for crew in crews)


@st.composite
def windows(draw: st.DrawFn) -> tuple[Window, ...]:
    if draw(st.integers(0, 4)):
        return ()
    opens = draw(st.lists(SLOTS, min_size=1, max_size=3))
    return (
        *(Window(slot, slot + draw(st.integers(1, 90))) for slot in opens),
        Window(1000, 3000),
    )


@st.composite
def activities(draw: st.DrawFn, index: int, jobs: int) -> Activity:
    crew = st.sampled_from([None, *range(CREWS)])
    some = st.integers(0, 3).map(lambda n: n == 0)
    return Activity(
        key=f"a{index}",
        job=draw(st.integers(0, jobs - 1)),
        modes=draw(modes()),
        release=draw(SLOTS) if draw(some) else 0,
        windows=draw(windows()),
        pin=Pin(draw(crew), draw(SLOTS)) if draw(some) else None,
        announced=Announced(draw(crew), draw(SLOTS), draw(st.sampled_from([0.5, 1.0, 4.0])))
        if draw(some)
        else None,
        under_way=draw(st.integers(0, 9)) == 0,
    )


@st.composite
def problems(draw: st.DrawFn) -> Problem:
    """Problems of up to ten activities with everything in them, links from lower to higher."""
    size, jobs = draw(st.integers(1, 10)), draw(st.integers(1, 3))
    rows = tuple(draw(activities(index, jobs)) for index in range(size))
    wait_rows = tuple(draw(st.lists(waits(), max_size=2, unique_by=lambda wait: wait.key)))
    pairs = st.tuples(st.integers(0, size - 1), st.integers(0, size - 1))
    wait = st.sampled_from([None, *range(len(wait_rows))])
    links = tuple(
        Link(
            min(pair),
            max(pair),
            draw(st.booleans()),
            draw(wait),
            longest_slots=draw(st.sampled_from([None, None, None, 0, 100])),
        )
        for pair in draw(st.lists(pairs, max_size=size))
        if pair[0] != pair[1]
    )
    blocked = st.lists(st.tuples(SLOTS, st.integers(1, 60)), max_size=2)
    resources = tuple(
        Resource(
            f"r{i}",
            f"R {i}",
            capacity=2 if i == MACHINE else draw(st.integers(1, 2)),
            blocked=tuple((slot, slot + length) for slot, length in draw(blocked)),
        )
        for i in range(CREWS + 1)
    )
    return Problem(
        axis=AXIS,
        now=draw(st.integers(0, 60)),
        calendars=CALENDARS,
        resources=resources,
        activities=rows,
        links=links,
        waits=wait_rows,
        jobs=tuple(
            Job(
                f"j{i}",
                draw(st.none() | SLOTS),
                draw(st.sampled_from([0.0, 1.0, 3.0])),
                draw(st.sampled_from([None, *range(CREWS)])),
                begun=draw(st.integers(0, 3)) == 0,
                visit_price=draw(st.sampled_from([0.0, 0.0, 25.0])),
            )
            for i in range(jobs)
        ),
        visit_pause_slots=draw(st.sampled_from([0, 24, 384])),
        freeze_until=draw(st.integers(0, 200)),
        change_crew_slots=draw(st.integers(0, 64)),
        float_slots=draw(st.integers(0, 30)),
        # Nights of 14 to 18 slots, days off of 38 to 42 with the nights at their ends.
        longest_pause_slots=draw(st.sampled_from([None, 14, 30, 40])),
    )


def orders(problem: Problem) -> st.SearchStrategy[list[int]]:
    return st.permutations(range(len(problem.activities)))


def last_finish(schedule: Schedule) -> int:
    return max((placed.finish for placed in schedule.placed if placed), default=0)


def stretches(problem: Problem, schedule: Schedule, crew: int) -> list[tuple[int, int]]:
    return [
        (placed.start, placed.finish)
        for placed in filter(None, schedule.placed)
        if problem.activities[placed.activity].modes[placed.mode].crew == crew
        and placed.finish > placed.start
    ]


def all_open(problem: Problem) -> Problem:
    """Return the problem with nothing told, pinned or under way."""
    rows = tuple(
        replace(row, pin=None, announced=None, under_way=False) for row in problem.activities
    )
    return replace(problem, activities=rows)


def announced(problem: Problem, schedule: Schedule) -> Problem:
    """Return the problem with the schedule told to people."""
    rows = tuple(
        replace(
            row,
            pin=None,
            under_way=False,
            announced=None
            if placed is None
            else Announced(row.modes[placed.mode].crew, placed.start),
        )
        for row, placed in zip(problem.activities, schedule.placed, strict=True)
    )
    return replace(problem, activities=rows)


def rows_of(problem: Problem, schedule: Schedule) -> list[Row]:
    rows = []
    for placed in filter(None, schedule.placed):
        activity = problem.activities[placed.activity]
        crew = activity.modes[placed.mode].crew
        rows.append(
            Row(
                activity.key,
                f"{activity.job}",
                f"{crew}",
                AXIS.instant(placed.start),
                AXIS.instant(placed.finish),
            )
        )
    return rows
