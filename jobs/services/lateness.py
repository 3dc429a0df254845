"""
What the lateness of jobs comes from: each draw that ends late is followed back to what held it.

From a job's last activity back to whatever was on time, across jobs where a crew or a machine was
busy elsewhere: work that took longer than planned, waits that grew, what came late, days lost.
What of these made a stretch longer than planned bears the days late in proportion to its length.
What the plan itself is late by is borne as `contractor.engine.crew_report` tells of it. The days
of all causes add up to the days late to expect. The method is our own.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from contractor.engine.crew_report import OWN_WORK, crew_report
from contractor.engine.simulate.course import course_of
from contractor.engine.simulate.simulation import EARLY_DAYS
from contractor.engine.worktime import SLOTS_PER_DAY
from jobs.selectors.drivers import PROMISE, Driver, named
from jobs.services.lateness_way import Happened, LuckOf, Way

if TYPE_CHECKING:
    from contractor.engine.problem import Problem
    from contractor.engine.schedule import Schedule
    from contractor.engine.simulate.chances import Chances
    from contractor.engine.simulate.simulation import Simulated
    from jobs.services.lateness_way import Names, Slots

RUNS_AT_ONCE = 400


def days_late_by_cause(
    problem: Problem,
    planned: tuple[Problem, Schedule],
    chances: Chances,
    drawn: Simulated,
    *,
    seed: int,
    names: Names,
) -> list[dict[str, float]]:
    """
    Return by job the days late to expect from each cause; without a promise, past its plan.

    `drawn` are runs of the schedule on `problem`, made with `chances` and `seed`; `planned` is the
    schedule with the problem it was made for. A job that has no place in the plan has no causes.
    """
    return _Lateness(problem, planned, chances, drawn, seed, names).by_job()


class _Lateness:
    def __init__(
        self,
        problem: Problem,
        planned: tuple[Problem, Schedule],
        chances: Chances,
        drawn: Simulated,
        seed: int,
        names: Names,
    ) -> None:
        self.problem, self.planned, self.drawn = problem, planned, drawn
        self.end = problem.axis.slots
        schedule = planned[1]
        self.course = course_of(problem, schedule, chances, early_days=EARLY_DAYS)
        self.luck = LuckOf(self.course, seed)
        self.way = Way(problem, schedule, self.course, names)
        self.jobs = self._planned_jobs(schedule)

    def by_job(self) -> list[dict[str, float]]:
        """Return by job the days of each cause."""
        total: list[dict[str, float]] = [defaultdict(float) for _ in self.problem.jobs]
        parts = self._of_the_plan()
        for first in range(0, self.drawn.runs, RUNS_AT_ONCE):
            runs = range(first, min(first + RUNS_AT_ONCE, self.drawn.runs))
            self._add(total, runs, parts)
        return [
            {name: days / self.drawn.runs for name, days in row.items() if days > 0}
            for row in total
        ]

    def _planned_jobs(self, schedule: Schedule) -> dict[int, list[int]]:
        """Return by job its activities, of the jobs that have a place as a whole."""
        found: dict[int, list[int]] = defaultdict(list)
        for i, activity in enumerate(self.problem.activities):
            found[activity.job].append(i)
        return {
            job: rows
            for job, rows in found.items()
            if all(schedule.placed[i] is not None for i in rows)
        }

    def _of_the_plan(self) -> dict[int, dict[str, float]]:
        """Return by job what its lateness in the plan comes from, as shares."""
        problem, schedule = self.planned
        found = {}
        for late in crew_report(problem, schedule, own_calendars={}, week_edges=()).late_jobs:
            days = sum(part for _, part in late.causes)
            shares: dict[str, float] = defaultdict(float)
            for cause, part in late.causes:
                if cause == OWN_WORK:
                    name = PROMISE
                elif cause.resource is not None:
                    name = self.way.resource_name(cause.resource)
                else:
                    name = cause.why or named(Driver.WAIT, cause.kind.value.upper())
                shares[name] += part / days
            found[late.job] = shares
        return found

    def _add(
        self,
        total: list[dict[str, float]],
        runs: range,
        parts: dict[int, dict[str, float]],
    ) -> None:
        """Add the days late of some runs to those of the runs before."""
        here = slice(runs.start, runs.stop)
        starts = np.minimum(self.drawn.starts[:, here], self.end)
        finishes = np.minimum(self.drawn.finishes[:, here], self.end)
        first_run = self.drawn.first_run
        luck = self.luck.of(range(first_run + runs.start, first_run + runs.stop))
        happened = Happened(starts, finishes, *self.way.held(starts, finishes), luck)
        late = _Late([], [], [], [])
        for job, rows in self.jobs.items():
            last = np.asarray(rows)[finishes[rows].argmax(axis=0)]
            ended = finishes[last, np.arange(len(runs))].astype(np.int64)
            told = int(self.way.finish[rows].max())
            due = self.problem.jobs[job].due
            due = told if due is None else due
            beyond = np.flatnonzero(ended > due)
            days = -((due - ended[beyond]) // SLOTS_PER_DAY)
            by_luck = np.clip(ended[beyond] - max(due, told), 0, None)
            share = by_luck / (ended[beyond] - due)
            if told > due:
                plan_days = float((days * (1 - share)).sum())
                for name, part in parts[job].items():
                    total[job][name] += part * plan_days
            some = by_luck > 0
            late.add(job, beyond[some], last[beyond[some]], days[some] * share[some])
        self._share_out(total, late, happened)

    def _share_out(self, total: list[dict[str, float]], late: _Late, happened: Happened) -> None:
        """Add days late by draw to the causes found on its way back, in proportion."""
        job, run, last, days = (np.concatenate(rows) for rows in late.columns())
        found = self.way.back(last, run, happened)
        length = found.sum(axis=1)
        # Nothing took longer: only nights, weekends and closings lay otherwise than planned.
        found[length == 0, self.way.others] = 1.0
        length[length == 0] = 1.0
        by_job = np.zeros((len(total), found.shape[1]))
        np.add.at(by_job, job, found * (days / length)[:, None])
        for j, index in zip(*np.nonzero(by_job), strict=True):
            total[j][self.way.causes.names[index]] += float(by_job[j, index])


@dataclass(frozen=True, slots=True)
class _Late:
    """Draws in which jobs end late by luck: job, run, last activity, days; an array a job."""

    job: list[Slots]
    run: list[Slots]
    last: list[Slots]
    days: list[Slots]

    def add(self, job: int, run: Slots, last: Slots, days: Slots) -> None:
        """Add the late draws of a job."""
        self.job.append(np.full(run.size, job))
        self.run.append(run)
        self.last.append(last)
        self.days.append(days)

    def columns(self) -> tuple[list[Slots], ...]:
        """Return the four columns, none of them empty."""
        none = [np.zeros(0, dtype=np.int64)]
        return self.job or none, self.run or none, self.last or none, self.days or none
