"""Forecasts of an invented firm whose true rates the model does not know, over two years.

    python -m tests.bench.forecast_backtest --firms 6 --json

Each month the firm sells jobs, plans all open work, and forecasts every finish from what it has
seen done, inspected and delivered so far. Then the month happens by the true rates, and the next is
planned from where it ended. Told are the coverage of P50, P80 and P90, and the pinball loss beside
two fixed buffers on the planned finish: one of so many percent as builders add, and one whose
percents are the best in hindsight.
"""

import argparse
import json
import sys
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, time
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np

from contractor.engine.learning import Finished, learn
from contractor.engine.planner import plan
from contractor.engine.problem import Activity, Announced, Job, Link, Mode, Problem, Resource, Wait
from contractor.engine.schedule import Schedule
from contractor.engine.scoring import pinball
from contractor.engine.simulate.chances import (
    ActivityChances,
    Chances,
    CrewChances,
    Gate,
    WeatherChances,
)
from contractor.engine.simulate.course import course_of
from contractor.engine.simulate.draw import draw, new_drawn
from contractor.engine.simulate.simulation import EARLY_DAYS, simulate
from contractor.engine.worktime import SLOTS_PER_DAY, Axis, WorkCalendar, weekly_calendar

ORIGIN, ZONE = datetime(2024, 1, 1, tzinfo=UTC), ZoneInfo("UTC")
MONTH = 28 * SLOTS_PER_DAY
MONTHS, TAIL_DAYS = 24, 400
CREWS, JOBS_A_MONTH, DUE_DAYS = 4, 6, 60
NOTICE, CURE = 0, 1
CREW_DAYS, AUTHORITY = 0, 1
SHARES = (0.5, 0.8, 0.9)
# As in jobs/services/chances.py.
JOB_SHARE, CREW_SHARE = 0.2, 0.05
# What builders add to a plan; common practice, no source.
USUAL_BUFFERS = (0.05, 0.20, 0.30)
# Phase, crew hours (0: a visit), what it follows, the wait between, weather stops it.
PHASES: tuple[tuple[str, float, str | None, int | None, bool], ...] = (
    ("dig", 8, None, None, True),
    ("hole inspection", 0, "dig", NOTICE, False),
    ("posts", 10, "hole inspection", None, True),
    ("frame", 12, "posts", CURE, True),
    ("trusses", 9, "frame", None, True),
    ("frame inspection", 0, "trusses", NOTICE, False),
    ("roof", 12, "frame inspection", None, True),
    ("walls", 13, "roof", None, True),
    ("trim", 8, "walls", None, False),
)
NAMES = [row[0] for row in PHASES]
DELIVERED = "trusses"


@dataclass(frozen=True, slots=True)
class Truth:
    """What is so and nobody in the firm knows: rates by phase and crew, spreads, chances."""

    log_factor: Mapping[str, float]
    crew_log_factor: tuple[float, ...]
    log_sd: Mapping[str, float]
    job_share: float
    fail_chance: float
    late_chance: float
    late_days: float
    lost_chance: float

    @staticmethod
    def of(luck: np.random.Generator) -> "Truth":
        """Return the truth of one firm."""
        return Truth(
            {name: float(luck.normal(0.08, 0.15)) for name in NAMES},
            tuple(float(x) for x in luck.normal(0, 0.1, CREWS)),
            {name: float(luck.uniform(0.15, 0.35)) for name in NAMES},
            float(luck.uniform(0.1, 0.4)),
            float(luck.uniform(0.03, 0.2)),
            float(luck.uniform(0.1, 0.4)),
            float(luck.uniform(2, 6)),
            float(luck.uniform(0.1, 0.25)),
        )


@dataclass(slots=True)
class Work:
    """One phase of one job as it stands: `planned_slots` of crew work, 0 for a visit."""

    job: str
    name: str
    planned_slots: int
    crew: int | None = None
    start: int | None = None
    finish: int | None = None
    share_left: float = 1.0
    announced: Announced | None = None

    @property
    def key(self) -> str:
        """Return the name that its luck goes by."""
        return f"{self.job} {self.name}"


@dataclass(frozen=True, slots=True)
class Told:
    """A forecast of one finish in days from its own moment, beside the plan and what came."""

    month: int
    quantiles: tuple[float, ...]
    planned_days: float
    actual_days: float


@dataclass(slots=True)
class Firm:
    """An invented firm over its months."""

    seed: int
    runs: int
    truth: Truth
    luck: np.random.Generator
    jobs: dict[str, list[Work]] = field(default_factory=dict)
    due: dict[str, int] = field(default_factory=dict)
    promised: dict[str, int] = field(default_factory=dict)
    arrives: dict[str, int] = field(default_factory=dict)
    finished: list[Finished] = field(default_factory=list)
    visits: Counter[str] = field(default_factory=Counter)
    deliveries: list[float] = field(default_factory=list)
    forecasts: list[tuple[int, str, tuple[float, ...], float]] = field(default_factory=list)

    @staticmethod
    def of(seed: int, runs: int) -> "Firm":
        """Return a firm before its first month."""
        luck = np.random.default_rng(seed)
        return Firm(seed, runs, Truth.of(luck), luck)

    def live(self) -> list[Told]:
        """Live through all months and return every forecast with what came of it."""
        # After the last sale, work goes on until all is done.
        for month in range(MONTHS + TAIL_DAYS // 28 - 1):
            now = month * MONTH
            if month < MONTHS:
                self._sell(now)
            if not any(self._open_jobs()):
                break
            self._month(month, now)
        return [
            Told(month, quantiles, planned, self._finish(job) / SLOTS_PER_DAY - month * 28)
            for month, job, quantiles, planned in self.forecasts
        ]

    def _finish(self, job: str) -> int:
        return max(row.finish or 0 for row in self.jobs[job])

    def _open_jobs(self) -> list[str]:
        return [job for job, rows in self.jobs.items() if any(r.finish is None for r in rows)]

    def _sell(self, now: int) -> None:
        for number in range(JOBS_A_MONTH):
            job = f"{now // MONTH:02d}-{number}"
            size = float(self.luck.uniform(0.7, 1.4))
            self.jobs[job] = [
                Work(job, name, round(hours * size * 4)) for name, hours, *_ in PHASES
            ]
            self.due[job] = now + DUE_DAYS * SLOTS_PER_DAY
            self.promised[job] = now + int(self.luck.integers(14, 40)) * SLOTS_PER_DAY
            late = self.luck.random() < self.truth.late_chance
            days = float(self.luck.exponential(self.truth.late_days)) if late else 0.0
            self.arrives[job] = self.promised[job] + round(days * SLOTS_PER_DAY)

    def _month(self, month: int, now: int) -> None:
        rows = [row for job in self._open_jobs() for row in self.jobs[job] if row.finish is None]
        told = self._problem(rows, now, self._told_release)
        schedule = plan(told).schedule
        if month < MONTHS:
            self._forecast(month, now, rows, told, schedule)
        real = self._problem(rows, now, self._real_release)
        self._happen(now, rows, real, schedule)

    def _forecast(
        self, month: int, now: int, rows: list[Work], problem: Problem, schedule: Schedule
    ) -> None:
        drawn = simulate(
            problem,
            schedule,
            self._believed(rows, problem, schedule, now),
            runs=self.runs,
            seed=1000 + month,
        )
        for job in self._open_jobs():
            mine = [i for i, row in enumerate(rows) if row.job == job]
            _, ends = drawn.of_activities(mine)
            planned = max(place.finish for i in mine if (place := schedule.placed[i]))
            found = np.quantile(ends, SHARES, method="inverted_cdf")
            days = tuple(float(slot - now) / SLOTS_PER_DAY for slot in found)
            self.forecasts.append((month, job, days, (planned - now) / SLOTS_PER_DAY))

    def _happen(self, now: int, rows: list[Work], problem: Problem, schedule: Schedule) -> None:
        """Let one month happen, and learn what it showed."""
        chances = self._true(rows, problem, schedule)
        came = simulate(problem, schedule, chances, runs=1, seed=self.seed)
        course = course_of(problem, schedule, chances, early_days=EARLY_DAYS)
        drawn = new_drawn(course)
        draw(course, drawn, self.seed, 0)
        order = course.original.tolist()
        real_work = dict(zip(order, drawn.work.tolist(), strict=True))
        repeats = dict(zip(order, drawn.repeats.tolist(), strict=True))
        until = now + MONTH
        for i, row in enumerate(rows):
            start, finish = int(came.starts[i, 0]), int(came.finishes[i, 0])
            place = schedule.placed[i]
            assert place is not None
            mode = problem.activities[i].modes[place.mode]
            row.announced = Announced(mode.crew, max(place.start, until))
            if start >= until:
                continue
            row.start = start if row.start is None else row.start
            row.crew = mode.crew
            factor = real_work[i] / max(mode.work_slots, 1)
            if mode.crew is None or finish <= until:
                row.finish = finish
                if mode.crew is not None:
                    actual = row.planned_slots * factor
                    self.finished.append(
                        Finished(row.name, str(mode.crew), row.planned_slots / 4, actual / 4)
                    )
                else:
                    self.visits["made"] += repeats[i] + 1
                    self.visits["failed"] += repeats[i]
            else:
                calendar = problem.calendars[CREW_DAYS]
                whole = max(calendar.work_between(start, finish), 1)
                gone = calendar.work_between(start, until) / whole
                row.share_left *= max(1 - gone, 0.02)
        for job, arrives in self.arrives.items():
            if now <= arrives < until:
                self.deliveries.append((arrives - self.promised[job]) / SLOTS_PER_DAY)

    def _told_release(self, job: str, now: int) -> int:
        """Return when trusses should come: as promised, and now where that is over."""
        return 0 if self.arrives[job] <= now else max(self.promised[job], now)

    def _real_release(self, job: str, now: int) -> int:
        return self.arrives[job]

    def _problem(
        self, rows: list[Work], now: int, release_of: Callable[[str, int], int]
    ) -> Problem:
        axis, calendars, waits = _world()
        place_of = {row.key: i for i, row in enumerate(rows)}
        jobs = list(dict.fromkeys(row.job for row in rows))
        links, activities = [], []
        for i, row in enumerate(rows):
            _, _, before, wait, _ = PHASES[NAMES.index(row.name)]
            release = release_of(row.job, now) if row.name == DELIVERED else 0
            if before is not None:
                leader = self.jobs[row.job][NAMES.index(before)]
                if leader.finish is None:
                    links.append(Link(place_of[leader.key], i, wait=wait))
                else:
                    ends = min(leader.finish, axis.slots)
                    ready = ends if wait is None else int(waits[wait].table[ends])
                    release = max(release, ready)
            activities.append(self._activity(row, jobs.index(row.job), release))
        return Problem(
            axis=axis,
            now=now,
            calendars=calendars,
            resources=tuple(Resource(f"crew {c}", f"Crew {c}") for c in range(CREWS)),
            activities=tuple(activities),
            links=tuple(links),
            waits=waits,
            jobs=tuple(Job(job, due=self.due[job]) for job in jobs),
        )

    def _activity(self, row: Work, job: int, release: int) -> Activity:
        if row.planned_slots == 0:
            return Activity(row.key, job, (Mode(None, 16, AUTHORITY),), release=release)
        under_way = row.start is not None
        slots = max(1, round(row.planned_slots * row.share_left))
        crews = [row.crew] if under_way else range(CREWS)
        return Activity(
            row.key,
            job,
            tuple(Mode(crew, slots, CREW_DAYS) for crew in crews),
            release=release,
            under_way=under_way,
            announced=None if under_way else row.announced,
        )

    def _believed(
        self, rows: list[Work], problem: Problem, schedule: Schedule, now: int
    ) -> Chances:
        """Return what the firm believes: rates and chances learned, weather by the normals."""
        beliefs = learn(self.finished)
        fail = (self.visits["failed"] + 2) / (self.visits["made"] + 20)
        late = [days for days in self.deliveries if days > 0]
        late_chance = (len(late) + 3) / (len(self.deliveries) + 12)
        late_days = (sum(late) + 9) / (len(late) + 3)
        by_activity, doubts = {}, [0.0]
        for i, row in enumerate(rows):
            if row.planned_slots == 0:
                by_activity[i] = ActivityChances(fail_chance=fail, again_wait=NOTICE)
                continue
            belief = beliefs.of(row.name, _crew(problem, schedule, i))
            told = belief.prediction()
            doubts.append(belief.doubt)
            waits = row.name == DELIVERED and row.start is None and self.arrives[row.job] > now
            chance = 1.0 if self.promised[row.job] < now else late_chance
            by_activity[i] = ActivityChances(
                log_mean=told.mean,
                log_sd=told.log_sd,
                late_chance=chance if waits else 0.0,
                late_days=late_days if waits else 0.0,
                gate=0 if PHASES[NAMES.index(row.name)][4] else None,
            )
        shared = CREW_SHARE + sum(doubts) / len(doubts)
        return _chances(by_activity, self.truth.lost_chance, job_share=JOB_SHARE, crew_share=shared)

    def _true(self, rows: list[Work], problem: Problem, schedule: Schedule) -> Chances:
        truth, by_activity = self.truth, {}
        for i, row in enumerate(rows):
            if row.planned_slots == 0:
                by_activity[i] = ActivityChances(fail_chance=truth.fail_chance, again_wait=NOTICE)
                continue
            crew = int(_crew(problem, schedule, i))
            by_activity[i] = ActivityChances(
                log_mean=truth.log_factor[row.name] + truth.crew_log_factor[crew],
                log_sd=truth.log_sd[row.name],
                gate=0 if PHASES[NAMES.index(row.name)][4] else None,
            )
        return _chances(by_activity, truth.lost_chance, job_share=truth.job_share, crew_share=0.0)


@lru_cache(maxsize=1)
def _world() -> tuple[Axis, tuple[WorkCalendar, ...], tuple[Wait, ...]]:
    """Return the axis, the calendars and the waits of all firms."""
    axis = Axis(ORIGIN, (MONTHS * 28 + TAIL_DAYS) * SLOTS_PER_DAY)
    week = dict.fromkeys(range(5), ((time(7, 0), time(15, 30)),))
    office = dict.fromkeys(range(5), ((time(8, 0), time(12, 0)),))
    calendars = (
        weekly_calendar(key="crews", axis=axis, zone=ZONE, weekly=week),
        weekly_calendar(key="authority", axis=axis, zone=ZONE, weekly=office),
    )
    waits = (Wait.lag("notice", axis, 24 * 60), Wait.lag("cure", axis, 3 * 24 * 60))
    return axis, calendars, waits


def _crew(problem: Problem, schedule: Schedule, i: int) -> str:
    place = schedule.placed[i]
    assert place is not None
    return str(problem.activities[i].modes[place.mode].crew)


def _chances(
    by_activity: Mapping[int, ActivityChances],
    lost_chance: float,
    *,
    job_share: float,
    crew_share: float,
) -> Chances:
    axis, _, _ = _world()
    days = axis.slots // SLOTS_PER_DAY
    day_first = np.arange(0, axis.slots + 1, SLOTS_PER_DAY, dtype=np.int32)
    return Chances(
        by_activity=by_activity,
        by_resource={crew: CrewChances(0.115, 0.75) for crew in range(CREWS)},
        weather=WeatherChances(day_first, (Gate(np.full(days, lost_chance)),)),
        job_share=job_share,
        crew_share=crew_share,
    )


def scores(told: list[Told]) -> dict[str, object]:
    """Return coverage and loss of forecasts, and the loss of buffers on the same jobs."""
    actual = np.array([row.actual_days for row in told])
    planned = np.array([row.planned_days for row in told])
    found: dict[str, object] = {"forecasts": len(told)}
    for place, share in enumerate(SHARES):
        said = np.array([row.quantiles[place] for row in told])
        best = min(
            np.linspace(-0.2, 2, 221), key=lambda x: pinball(actual, planned * (1 + x), share)
        )
        found[f"P{share:.0%}".rstrip("%")] = {
            "covered": round(float(np.mean(actual <= said)), 3),
            "pinball_days": round(pinball(actual, said, share), 3),
            "usual_buffer_days": round(
                pinball(actual, planned * (1 + USUAL_BUFFERS[place]), share), 3
            ),
            "best_buffer": round(float(best), 2),
            "best_buffer_days": round(pinball(actual, planned * (1 + best), share), 3),
        }
    return found


def main() -> None:
    """Let some firms live, and print how good their forecasts were."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--firms", type=int, default=6)
    parser.add_argument("--runs", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    if asked.firms < 1 or asked.runs < 1:
        parser.error("--firms and --runs must be at least 1")
    firms = [Firm.of(asked.seed + n, asked.runs).live() for n in range(asked.firms)]
    rows = {
        "all": scores([row for told in firms for row in told]),
        "firms": [scores(told) for told in firms],
    }
    if asked.json:
        json.dump(rows, sys.stdout, indent=2)
        print()
        return
    print("all", rows["all"])
    for row in rows["firms"]:
        print("   ", row)


if __name__ == "__main__":
    main()
