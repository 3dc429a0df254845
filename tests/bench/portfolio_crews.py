"""A synthetic portfolio of all-round crews: every crew of a branch can do most of the work.

Twelve phases a job, in the shape of post-frame work, with invented hours, shared machines,
inspection windows, cure and promises. Crews choose jobs (as modes), keep their own calendars, and
share augers and telehandlers.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from random import Random
from zoneinfo import ZoneInfo

from contractor.engine.problem import Activity, Job, Link, Mode, Problem, Resource, Wait, Window
from contractor.engine.worktime import (
    SLOTS_PER_DAY,
    Axis,
    WorkCalendar,
    always_open,
    weekly_calendar,
)

ORIGIN = datetime(2026, 3, 2, tzinfo=UTC)
ZONE = ZoneInfo("America/New_York")
SHORT_DAYS, FULL_DAYS, AUTHORITY = range(3)
NOTICE, CURE = range(2)

# Phase, crew hours for a mid-sized building, shared machine, what it follows, the wait between.
PHASES: tuple[tuple[str, float, str | None, tuple[str, ...], int | None], ...] = (
    ("layout", 3, None, (), None),
    ("dig", 5, "auger", ("layout",), None),
    ("hole inspection", 0.5, None, ("dig",), NOTICE),
    ("set posts", 6, None, ("hole inspection",), None),
    ("girts", 8, None, ("set posts",), CURE),
    ("trusses", 7, "lift", ("girts",), None),
    ("purlins", 8, None, ("trusses",), None),
    ("frame inspection", 0.5, None, ("purlins",), NOTICE),
    ("roof steel", 9, "lift", ("frame inspection",), None),
    ("wall steel", 9, None, ("frame inspection",), None),
    ("doors", 6, None, ("wall steel",), None),
    ("trim", 7, None, ("roof steel", "wall steel", "doors"), None),
)


@dataclass(frozen=True, slots=True)
class _Branch:
    """The crews of one branch, as indexes of resources, and the machines they share."""

    crews: tuple[int, ...]
    machines: Mapping[str, int]


def synthetic_portfolio(
    *, jobs: int, crews: int, seed: int = 7, crews_per_branch: int | None = None
) -> Problem:
    """Return a portfolio of `jobs` jobs for `crews` crews, the same for the same seed.

    Jobs go around the branches. A branch has `crews_per_branch` crews (None: one branch has them
    all) and machines of its own, and works for no other.
    """
    random = Random(seed)
    days = 240 + 16 * jobs // crews * 2
    axis = Axis(ORIGIN, days * SLOTS_PER_DAY)
    resources, branches = _branches(crews, crews_per_branch or crews)
    windows = _inspection_windows(axis)
    pace = [0.85 + 0.1 * (c % 4) for c in range(crews)]
    activities: list[Activity] = []
    links: list[Link] = []
    for job in range(jobs):
        branch = branches[job % len(branches)]
        links += _job_links(len(activities))
        activities += _job_activities(random, job, branch, pace, windows, jobs / crews)
    return Problem(
        axis=axis,
        now=0,
        calendars=(
            _week(axis, "short days", late=30),
            _week(axis, "full days", late=0),
            always_open("authority", axis),
        ),
        resources=resources,
        activities=tuple(activities),
        links=tuple(links),
        waits=(Wait.lag("notice", axis, 24 * 60), Wait.lag("cure", axis, 3 * 24 * 60)),
        jobs=tuple(_promise(random, job, jobs / crews) for job in range(jobs)),
    )


def _branches(crews: int, crews_per_branch: int) -> tuple[tuple[Resource, ...], list[_Branch]]:
    """Return all resources, crews first, and the branches that they make up."""
    resources = [Resource(f"crew-{c}", f"Crew {c + 1}") for c in range(crews)]
    branches = []
    for first in range(0, crews, crews_per_branch):
        own = tuple(range(first, min(crews, first + crews_per_branch)))
        capacity = max(1, len(own) // 3)
        machines = {"auger": len(resources), "lift": len(resources) + 1}
        number = len(branches) + 1
        resources += [
            Resource(f"auger-{number}", f"Auger rig {number}", capacity=capacity),
            Resource(f"lift-{number}", f"Telehandler {number}", capacity=capacity),
        ]
        branches.append(_Branch(own, machines))
    return tuple(resources), branches


def _job_activities(
    random: Random,
    job: int,
    branch: _Branch,
    pace: list[float],
    windows: tuple[Window, ...],
    jobs_per_crew: float,
) -> list[Activity]:
    """Return the phases of one job; all but two of the branch's crews can do them."""
    size = random.uniform(0.6, 2.4)
    release = random.randrange(0, 1 + int(jobs_per_crew * 60) * SLOTS_PER_DAY // 10)
    able = sorted(random.sample(branch.crews, k=max(1, len(branch.crews) - 2)))
    activities = []
    for name, hours, machine, _, _ in PHASES:
        inspection = "inspection" in name
        machines = (branch.machines[machine],) if machine else ()
        modes = tuple(
            Mode(
                crew,
                max(1, round(hours * size * 4 / pace[crew])),
                random.choice((SHORT_DAYS, FULL_DAYS)),
                machines,
            )
            for crew in able
        )
        activities.append(
            Activity(
                key=f"{job}:{name}",
                job=job,
                modes=(Mode(None, 2, AUTHORITY),) if inspection else modes,
                release=release,
                windows=windows if inspection else (),
            )
        )
    return activities


def _job_links(first: int) -> list[Link]:
    index = {phase[0]: first + n for n, phase in enumerate(PHASES)}
    return [
        Link(index[leader], index[name], wait=wait)
        for name, _, _, leaders, wait in PHASES
        for leader in leaders
    ]


def _promise(random: Random, job: int, jobs_per_crew: float) -> Job:
    day = random.randrange(30, 60 + int(22 * jobs_per_crew))
    return Job(f"job-{job}", SLOTS_PER_DAY * day, weight=random.choice((1.0, 1.0, 2.0, 3.0)))


def _week(axis: Axis, key: str, *, late: int) -> WorkCalendar:
    hours = ((time(7), time(12)), (time(12, 30), time(16)))
    return weekly_calendar(
        key=key,
        axis=axis,
        zone=ZONE,
        late_start_minutes=late,
        weekly=dict.fromkeys(range(5), hours),
    )


def _inspection_windows(axis: Axis) -> tuple[Window, ...]:
    opens = [axis.origin + timedelta(days=d, hours=13) for d in range(axis.slots // SLOTS_PER_DAY)]
    return tuple(
        Window(slot, slot + 16)
        for slot in (axis.slot_at_or_after(moment) for moment in opens)
        if axis.instant(slot).weekday() < 5
    )
