"""Growth of the planner's cost with the size of a portfolio, beside a plain first-come pass.

    python -m tests.bench.portfolio --jobs 45 --crews 5 --seconds 5 --json

The portfolio is synthetic: twelve phases a job, in the shape of post-frame work, with invented
hours, machines, inspection windows, cure and promises. Both plans are scored by one objective.
"""

import argparse
import json
import time as clock
from collections.abc import Mapping
from datetime import UTC, datetime, time, timedelta
from random import Random
from zoneinfo import ZoneInfo

from contractor.engine.check import check
from contractor.engine.decode import Because, Bind, Placed, Schedule
from contractor.engine.improve import SecondsStop
from contractor.engine.objective import Objective, objective
from contractor.engine.planner import plan
from contractor.engine.problem import Activity, Job, Link, Mode, Problem, Resource, Wait, Window
from contractor.engine.worktime import Axis, WorkCalendar, always_open, weekly_calendar

ORIGIN = datetime(2026, 3, 2, tzinfo=UTC)
ZONE = ZoneInfo("America/New_York")
SLOTS_PER_DAY = 96

# Phase, crew hours for a mid-sized building, shared machine, what it follows, the wait between.
PHASES: tuple[tuple[str, float, str | None, tuple[str, ...], str | None], ...] = (
    ("layout", 3, None, (), None),
    ("dig", 5, "auger", ("layout",), None),
    ("hole inspection", 0.5, None, ("dig",), "notice"),
    ("set posts", 6, None, ("hole inspection",), None),
    ("girts", 8, None, ("set posts",), "cure"),
    ("trusses", 7, "lift", ("girts",), None),
    ("purlins", 8, None, ("trusses",), None),
    ("frame inspection", 0.5, None, ("purlins",), "notice"),
    ("roof steel", 9, "lift", ("frame inspection",), None),
    ("wall steel", 9, None, ("frame inspection",), None),
    ("doors", 6, None, ("wall steel",), None),
    ("trim", 7, None, ("roof steel", "wall steel", "doors"), None),
)


def synthetic_portfolio(*, jobs: int, crews: int, seed: int = 7) -> Problem:
    """Return a portfolio of `jobs` jobs for `crews` crews, the same for the same seed."""
    random = Random(seed)
    days = 240 + 16 * jobs // crews * 2
    axis = Axis(ORIGIN, days * SLOTS_PER_DAY)
    calendars = (
        _week(axis, "short days", late=30),
        _week(axis, "full days", late=0),
        always_open("authority", axis),
    )
    machines = {"auger": crews, "lift": crews + 1}
    resources = (
        *(Resource(f"crew-{c}", f"Crew {c + 1}") for c in range(crews)),
        Resource("auger", "Auger rig", capacity=max(1, crews // 3)),
        Resource("lift", "Telehandler", capacity=max(1, crews // 3)),
    )
    waits = (Wait.lag("notice", axis, 24 * 60), Wait.lag("cure", axis, 3 * 24 * 60))
    windows = _inspection_windows(axis)
    pace = [0.85 + 0.1 * (c % 4) for c in range(crews)]
    activities: list[Activity] = []
    links: list[Link] = []
    for job in range(jobs):
        size = random.uniform(0.6, 2.4)
        release = random.randrange(0, 1 + jobs * 60 // crews * SLOTS_PER_DAY // 10)
        able = sorted(random.sample(range(crews), k=max(1, crews - 2)))
        first = len(activities)
        for name, hours, machine, _, _ in PHASES:
            inspection = "inspection" in name
            modes = tuple(
                Mode(
                    c,
                    max(1, round(hours * size * 4 / pace[c])),
                    random.randrange(2),
                    (machines[machine],) if machine else (),
                )
                for c in able
            )
            activities.append(
                Activity(
                    key=f"{job}:{name}",
                    job=job,
                    modes=(Mode(None, 2, 2),) if inspection else modes,
                    release=release,
                    windows=windows if inspection else (),
                )
            )
        links += _job_links(first)
    promises = tuple(
        Job(
            f"job-{j}",
            SLOTS_PER_DAY * random.randrange(30, 60 + 22 * jobs // crews),
            weight=random.choice((1.0, 1.0, 2.0, 3.0)),
        )
        for j in range(jobs)
    )
    return Problem(
        axis=axis,
        now=0,
        calendars=calendars,
        resources=resources,
        activities=tuple(activities),
        links=tuple(links),
        waits=waits,
        jobs=promises,
    )


def first_come_plan(problem: Problem) -> Schedule:
    """Return the plain alternative: jobs as they came, each phase behind all else on its crew."""
    units = [[0] * resource.capacity for resource in problem.resources]
    placed: dict[int, Placed] = {}
    before: dict[int, list[Link]] = {}
    for link in problem.links:
        before.setdefault(link.after, []).append(link)
    first_released = sorted(
        range(len(problem.activities)), key=lambda i: (problem.activities[i].release, i)
    )
    for i in first_released:
        activity = problem.activities[i]
        earliest = max(
            [
                problem.now,
                activity.release,
                *(_freed(problem, placed, link) for link in before.get(i, ())),
            ]
        )
        options = []
        for index, mode in enumerate(activity.modes):
            calendar = problem.calendars[mode.calendar]
            uses = [r for r in (mode.crew, *mode.machines) if r is not None]
            start = calendar.next_working(max([earliest, *(min(units[r]) for r in uses)]))
            start, finish = _in_window(activity, calendar, start, mode.work_slots)
            options.append((finish, start, index, uses))
        finish, start, index, uses = min(options)
        for resource in uses:
            row = units[resource]
            row[row.index(min(row))] = finish
        because = Because(Bind.NOW, None, None, start, "first come")
        placed[i] = Placed(i, index, start, finish, because, (because,))
    return Schedule(tuple(placed[i] for i in range(len(placed))), (), ())


def measure(*, jobs: int, crews: int, seconds: float) -> dict[str, object]:
    """Return timings and costs of both plans for one size."""
    problem = synthetic_portfolio(jobs=jobs, crews=crews)
    began = clock.perf_counter()
    plain = first_come_plan(problem)
    plain_seconds = clock.perf_counter() - began
    began = clock.perf_counter()
    first = plan(problem)
    greedy_seconds = clock.perf_counter() - began
    began = clock.perf_counter()
    better = plan(problem, stop=SecondsStop(seconds))
    improved_seconds = clock.perf_counter() - began
    return {
        "jobs": jobs,
        "crews": crews,
        "activities": len(problem.activities),
        "violations": len(check(problem, better.schedule)),
        "first_come": {"seconds": round(plain_seconds, 4), **_parts(objective(problem, plain))},
        "greedy": {
            "seconds": round(greedy_seconds, 4),
            "rule": first.source,
            **_parts(first.objective),
        },
        "improved": {
            "seconds": round(improved_seconds, 4),
            "iterations": better.iterations,
            **_parts(better.objective),
        },
        "bound_late_weighted_days": better.bound.late_weighted_days if better.bound else None,
    }


def main() -> None:
    """Measure a quarter, a half and the whole of the portfolio asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=45)
    parser.add_argument("--crews", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=2.0)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    if asked.jobs < 1 or asked.crews < 1 or asked.seconds < 0:
        parser.error("--jobs and --crews must be at least 1, --seconds at least 0")
    sizes = sorted({max(1, asked.jobs // 4), max(1, asked.jobs // 2), asked.jobs})
    rows = [measure(jobs=n, crews=asked.crews, seconds=asked.seconds) for n in sizes]
    if asked.json:
        print(json.dumps({"runs": rows}, indent=2))
        return
    for row in rows:
        for name in ("first_come", "greedy", "improved"):
            print(f"{row['jobs']:>5} jobs  {name:<11} {row[name]}")


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


def _job_links(first: int) -> list[Link]:
    index = {phase[0]: first + n for n, phase in enumerate(PHASES)}
    wait_index: Mapping[str | None, int | None] = {None: None, "notice": 0, "cure": 1}
    return [
        Link(index[leader], index[name], wait=wait_index[wait])
        for name, _, _, leaders, wait in PHASES
        for leader in leaders
    ]


def _freed(problem: Problem, placed: Mapping[int, Placed], link: Link) -> int:
    slot = placed[link.before].finish
    return slot if link.wait is None else int(problem.waits[link.wait].table[slot])


def _in_window(
    activity: Activity, calendar: WorkCalendar, start: int, work_slots: int
) -> tuple[int, int]:
    finish = calendar.finish(start, work_slots)
    for window in activity.windows:
        begins = calendar.next_working(max(start, window.opens))
        finish = calendar.finish(begins, work_slots)
        if finish <= window.closes:
            return begins, finish
    return start, finish


def _parts(cost: Objective) -> dict[str, float]:
    return {
        "late_weighted_days": cost.late_weighted_days,
        "late_jobs": cost.late_jobs,
        "open_days": cost.open_days,
        "extra_crews": cost.extra_crews,
        "finish_days": round(cost.finish_days, 1),
        "total": round(cost.total, 1),
    }


if __name__ == "__main__":
    main()
