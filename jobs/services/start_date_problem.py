"""The open work with one more job in it, all others kept where they are planned."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from contractor.engine import planner
from contractor.engine import problem as engine
from contractor.engine.schedule import Schedule
from contractor.engine.simulate.simulation import Simulated, simulate
from jobs.services.plan_making import WALKS
from jobs.services.start_date_sold import SEED, as_placed, in_one_way

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from contractor.engine.schedule import Because, Placed
    from contractor.engine.simulate.chances import Chances
    from contractor.engine.worktime import WorkCalendar
    from jobs.services.chances import OddsInMaking
    from jobs.services.portfolio import Portfolio
    from jobs.services.start_date_sold import SoldPlan, Taken

# Every way to build has the same names in its own problem, and so the same luck in every run.
UNSOLD = "the new building"


@dataclass(frozen=True, slots=True)
class OneMore:
    """
    A plan of all sold jobs and of one that is not; `own` are the activities of that one.

    `rows` has for each activity its index in the portfolio; the sold ones come first.
    """

    schedule: Schedule
    own: range
    rows: tuple[int, ...]
    job: int

    @property
    def places(self) -> tuple[Placed, ...]:
        """Return the places of the unsold job."""
        return tuple(place for i in self.own if (place := self.schedule.placed[i]) is not None)


class WarmProblem:
    """The problem of a portfolio that has unsold jobs behind all `sold` ones, laid out once."""

    def __init__(self, sold: SoldPlan, portfolio: Portfolio) -> None:
        self.sold = sold
        self.portfolio = portfolio
        self.whole = portfolio.problem
        self.sold_jobs = len(sold.problem.jobs)
        self.sold_rows = range(len(sold.problem.activities))
        unsold: list[list[int]] = [[] for _ in self.whole.jobs[self.sold_jobs :]]
        for i in range(len(self.sold_rows), len(self.whole.activities)):
            unsold[self.whole.activities[i].job - self.sold_jobs].append(i)
        self._own = [tuple(rows) for rows in unsold]

    def in_the_gaps(self, job: int, *, due: int | None) -> OneMore:
        """
        Return the plan with unsold job number `job` in the gaps that all others leave.

        It is planned by itself, where crews and machines are taken by what is planned already; so
        every crew is tried for it and nothing else moves. Raises HorizonExceeded.
        """
        own = self._own[job]
        alone = self._alone(job, self.sold.taken, due=due)
        at = len(self.sold_rows)
        placed = [None if place is None else _moved(place, at) for place in alone.placed]
        unplanned = [replace(row, activity=row.activity + at) for row in alone.unplanned]
        schedule = Schedule(
            (*self.sold.schedule.placed, *placed),
            (*self.sold.schedule.unplanned, *unplanned),
            self.sold.schedule.broken_pins,
        )
        return OneMore(schedule, range(at, at + len(own)), (*self.sold_rows, *own), job)

    def put_first(self, job: int) -> OneMore:
        """
        Return the plan with unsold job number `job` as early as it goes, whoever makes way.

        Only what is under way, pinned or inside the freeze stays. Raises HorizonExceeded.
        """
        own = self._own[job]
        fixed = [
            place
            for i, place in enumerate(self.sold.schedule.placed)
            if place is not None and self.sold.is_fixed(i, place)
        ]
        alone = self._alone(job, self.sold.taken_by(fixed), due=self.whole.now)
        pinned = [
            activity
            if place is None
            else replace(activity, pin=engine.Pin(activity.modes[place.mode].crew, place.start))
            for activity, place in zip(self._renamed(job), alone.placed, strict=True)
        ]
        rows, at = (*self.sold_rows, *own), len(self.sold_rows)
        problem = self.part(rows, self.jobs_with(job), (*self.sold.announced, *pinned))
        found = planner.repair(problem).schedule
        # What holds it is what held it alone, not that it was put there.
        places = [None if place is None else _moved(place, at) for place in alone.placed]
        kept = [
            mine
            if mine and place and (mine.start, mine.mode) == (place.start, place.mode)
            else place
            for mine, place in zip(places, found.placed[at:], strict=True)
        ]
        schedule = replace(found, placed=(*found.placed[:at], *kept))
        return OneMore(schedule, range(at, at + len(own)), rows, job)

    def all_of(self, ways: Sequence[OneMore]) -> Schedule:
        """Return one schedule of the portfolio that has the places of several ways at once."""
        at = len(self.sold_rows)
        placed: list[Placed | None] = [None] * len(self.whole.activities)
        placed[:at] = ways[0].schedule.placed[:at] if ways else self.sold.schedule.placed
        for way in ways:
            for i in way.own:
                place = way.schedule.placed[i]
                placed[way.rows[i]] = place and replace(place, activity=way.rows[i])
        return Schedule(tuple(placed), (), ())

    def part(
        self,
        rows: Sequence[int],
        jobs: tuple[engine.Job, ...],
        activities: tuple[engine.Activity, ...] | None = None,
        *,
        of: engine.Problem | None = None,
    ) -> engine.Problem:
        """Return some activities of the whole problem, or of a variant of it, with their links."""
        whole = of or self.whole
        index = {row: place for place, row in enumerate(rows)}
        links = tuple(
            _between(link, index[link.before], index[link.after])
            for link in whole.links
            if link.before in index and link.after in index
        )
        if activities is None:
            activities = tuple(whole.activities[row] for row in rows)
        return replace(whole, activities=activities, links=links, jobs=jobs)

    def with_job(self, job: int, *, of: engine.Problem) -> engine.Problem:
        """Return a variant of the whole problem with the sold jobs and unsold job `job` only."""
        sold = of.activities[: len(self.sold_rows)]
        rows = (*self.sold_rows, *self._own[job])
        return self.part(rows, self.jobs_with(job), (*sold, *self._renamed(job, of=of)), of=of)

    def jobs_with(self, job: int) -> tuple[engine.Job, ...]:
        """Return the sold jobs and, last, an unsold one."""
        added = replace(self.whole.jobs[self.sold_jobs + job], key=UNSOLD)
        return (*self.whole.jobs[: self.sold_jobs], added)

    def _renamed(
        self, job: int, *, of: engine.Problem | None = None
    ) -> tuple[engine.Activity, ...]:
        """Return an unsold job's activities as those of the one job that is added."""
        whole, number = of or self.whole, self.whole.jobs[self.sold_jobs + job].key
        return tuple(
            replace(
                whole.activities[i],
                job=self.sold_jobs,
                key=whole.activities[i].key.removesuffix(number) + UNSOLD,
            )
            for i in self._own[job]
        )

    def _alone(self, job: int, taken: Taken, *, due: int | None) -> Schedule:
        """Return the plan of an unsold job where crews and machines are taken already."""
        own = self._own[job]
        activities, calendars = _with_own_calendars(self.whole, self._renamed(job))
        resources = tuple(
            replace(resource, blocked=_joined((*resource.blocked, *taken.get(r, ()))))
            for r, resource in enumerate(self.whole.resources)
        )
        added = replace(self.jobs_with(job)[-1], due=due)
        problem = replace(
            self.part(own, (added,), tuple(replace(row, job=0) for row in activities)),
            calendars=calendars,
            resources=resources,
        )
        return planner.plan(problem).schedule


class Luck:
    """What may go otherwise with each way to build, drawn alike for all of them."""

    def __init__(self, warm: WarmProblem, odds: OddsInMaking) -> None:
        self.warm = warm
        self.problem = as_placed(odds)
        self.chances = odds.chances()

    def drawn(self, one: OneMore, runs: int) -> Simulated:
        """Return so many runs of a plan with one more job."""
        return simulate(
            self.warm.with_job(one.job, of=self.problem),
            in_one_way(one.schedule),
            _of_part(self.chances, one.rows),
            runs=runs,
            seed=SEED,
            workers=WALKS,
        )


def _of_part(chances: Chances, rows: Sequence[int]) -> Chances:
    """Return what varies in a part of a problem: `rows` are its activities in the whole."""
    by_activity = {
        place: chances.by_activity[row]
        for place, row in enumerate(rows)
        if row in chances.by_activity
    }
    return replace(chances, by_activity=by_activity)


def _with_own_calendars(
    whole: engine.Problem, activities: tuple[engine.Activity, ...]
) -> tuple[tuple[engine.Activity, ...], tuple[WorkCalendar, ...]]:
    """Return activities whose modes name only calendars that they use, and these, each once."""
    index: dict[int, int] = {}
    calendars: list[WorkCalendar] = []
    modes: dict[engine.Mode, engine.Mode] = {}

    def renumbered(mode: engine.Mode) -> engine.Mode:
        if mode not in modes:
            calendar = whole.calendars[mode.calendar]
            if id(calendar) not in index:
                index[id(calendar)] = len(calendars)
                calendars.append(calendar)
            modes[mode] = replace(mode, calendar=index[id(calendar)])
        return modes[mode]

    rows = tuple(
        replace(row, modes=tuple(renumbered(mode) for mode in row.modes)) for row in activities
    )
    return rows, tuple(calendars)


def _between(link: engine.Link, before: int, after: int) -> engine.Link:
    """Return a link between other activities; most stay where they are, and so does the link."""
    if (link.before, link.after) == (before, after):
        return link
    return replace(link, before=before, after=after)


def _joined(stretches: Iterable[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Return stretches in order, those that touch as one."""
    joined: list[tuple[int, int]] = []
    for begins, ends in sorted(stretches):
        if joined and begins <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], ends))
        else:
            joined.append((begins, ends))
    return tuple(joined)


def _moved(place: Placed, by: int) -> Placed:
    """Return a place whose activities have indexes that are higher by so many."""

    def moved(bound: Because) -> Because:
        return bound if bound.activity is None else bound._replace(activity=bound.activity + by)

    return replace(
        place,
        activity=place.activity + by,
        because=moved(place.because),
        bounds=tuple(moved(bound) for bound in place.bounds),
    )
