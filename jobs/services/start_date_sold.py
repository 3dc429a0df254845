"""All that is sold, planned and drawn as it stands: what every question about start dates is of."""

from __future__ import annotations

from dataclasses import replace
from threading import Lock
from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

from contractor.engine import planner
from contractor.engine import problem as engine
from contractor.engine.simulate.simulation import Simulated, simulate
from jobs.selectors.history import experience
from jobs.services.chances import OddsInMaking
from jobs.services.outlasting import outlasting
from jobs.services.plan_making import WALKS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from contractor.engine.problem import Problem
    from contractor.engine.schedule import Placed, Schedule
    from contractor.engine.worktime import WorkCalendar
    from jobs.selectors.history import Experience
    from jobs.services.plan_basis import Basis
    from jobs.services.portfolio import Portfolio

    Taken = Mapping[int, list[tuple[int, int]]]

SEED = 1


class SoldPlan:
    """
    The plan of the sold jobs that keeps what people were told, and what may go otherwise with it.

    `announced` has its work as announced where it is planned, `taken` by crew and machine when none
    is left, `own_of` the activities of each job.
    """

    def __init__(self, portfolio: Portfolio, learned: Experience) -> None:
        self.portfolio = portfolio
        self.learned = learned
        self.problem = portfolio.problem
        self.schedule = planner.repair(self.problem).schedule
        self.announced = tuple(self._as_planned(i) for i in range(len(self.problem.activities)))
        self.taken = self.taken_by(self.schedule.placed)
        self.own_of: list[list[int]] = [[] for _ in self.problem.jobs]
        for i, activity in enumerate(self.problem.activities):
            self.own_of[activity.job].append(i)
        self.odds = OddsInMaking(portfolio, self.schedule, learned)
        self._drawn: dict[int, Simulated] = {}

    def drawn(self, runs: int) -> Simulated:
        """Return so many runs of the plan, made at the first call."""
        if runs not in self._drawn:
            problem = as_placed(self.odds)
            schedule, chances = in_one_way(self.schedule), self.odds.chances()
            self._drawn[runs] = simulate(
                problem, schedule, chances, runs=runs, seed=SEED, workers=WALKS
            )
        return self._drawn[runs]

    def taken_by(self, others: Iterable[Placed | None]) -> Taken:
        """Return the stretches in which no unit of a crew or machine is left, by resource."""
        changes: dict[int, list[tuple[int, int]]] = {}
        for place in others:
            if place is None:
                continue
            mode = self.problem.activities[place.activity].modes[place.mode]
            for used in (*(() if mode.crew is None else (mode.crew,)), *mode.machines):
                changes.setdefault(used, []).extend([(place.start, 1), (place.finish, -1)])
        return {
            used: _full(rows, self.problem.resources[used].capacity)
            for used, rows in changes.items()
        }

    def is_fixed(self, i: int, place: Placed) -> bool:
        """Return whether work stays where it is, whoever comes first."""
        activity = self.announced[i]
        frozen = activity.announced is not None and place.start < self.problem.freeze_until
        return activity.under_way or activity.pin is not None or frozen

    def _as_planned(self, i: int) -> engine.Activity:
        """Return sold work as announced where it is planned now, at the price it was told for."""
        activity, place = self.problem.activities[i], self.schedule.placed[i]
        if place is None or activity.under_way:
            return activity
        weight = activity.announced.weight if activity.announced else 1.0
        crew = activity.modes[place.mode].crew
        return replace(activity, announced=engine.Announced(crew, place.start, weight))


_turn = Lock()
# Keyed by identity and weak: what is planned lives as long as what was read.
_made: WeakKeyDictionary[Basis, dict[int, SoldPlan]] = WeakKeyDictionary()


def sold_plan(basis: Basis, horizon_days: int) -> SoldPlan:
    """
    Return the plan of a basis's jobs on an axis of so many days, made at the first call.

    Raises HorizonExceeded.
    """
    with _turn:
        plans = _made.setdefault(basis, {})
        if horizon_days not in plans:
            portfolio = basis.portfolio(horizon_days)
            plans[horizon_days] = SoldPlan(portfolio, experience(before=basis.work.now))
        return plans[horizon_days]


def as_placed(odds: OddsInMaking) -> Problem:
    """
    Return the problem of a portfolio as simulation needs it: all work in the one way it is planned.

    Many calendars are one and the same without weather, and each costs time in every run. As in
    every forecast, work that outlasts the days for which people are lent goes on without them.
    """
    clear = odds.calendars()
    problem = outlasting(replace(odds.problem, calendars=clear), odds.schedule)
    index: dict[int, int] = {}
    modes: dict[engine.Mode, engine.Mode] = {}
    calendars: list[WorkCalendar] = []

    def renumbered(mode: engine.Mode) -> engine.Mode:
        if mode not in modes:
            calendar = clear[mode.calendar]
            if id(calendar) not in index:
                index[id(calendar)] = len(calendars)
                calendars.append(calendar)
            # An authority's limit of visits a day is left out, as in every forecast.
            machines = () if mode.crew is None else mode.machines
            modes[mode] = replace(mode, calendar=index[id(calendar)], machines=machines)
        return modes[mode]

    activities = tuple(
        replace(activity, modes=() if place is None else (renumbered(activity.modes[place.mode]),))
        for activity, place in zip(problem.activities, odds.schedule.placed, strict=True)
    )
    return replace(
        problem, activities=activities, calendars=tuple(calendars), waits=tuple(odds.waits)
    )


def in_one_way(schedule: Schedule) -> Schedule:
    """Return a schedule of work that has one way to be done, the one it is planned in."""
    placed = (place and replace(place, mode=0) for place in schedule.placed)
    return replace(schedule, placed=tuple(placed))


def _full(changes: list[tuple[int, int]], capacity: int) -> list[tuple[int, int]]:
    """Return the stretches in which `capacity` units are taken; ends come before begins."""
    full, units, since = [], 0, 0
    for slot, change in sorted(changes):
        if units < capacity <= units + change:
            since = slot
        elif units >= capacity > units + change and slot > since:
            full.append((since, slot))
        units += change
    return full
