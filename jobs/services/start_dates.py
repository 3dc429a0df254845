"""When a building that is not sold yet could start and finish, by option; reads only."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
from django.db.models import prefetch_related_objects
from django.utils import timezone

from contractor.engine.worktime import SLOTS_PER_DAY, HorizonExceeded
from contractor.trade.errors import SpecError
from jobs.selectors.buildings import rates
from jobs.services.chances import OddsInMaking
from jobs.services.forecasting import MOST_OF_AXIS
from jobs.services.plan_basis import LAST_HORIZON_DAYS, horizons
from jobs.services.plan_making import TooFarAheadError
from jobs.services.portfolio import Portfolio, with_more_jobs
from jobs.services.start_date_answer import (
    Answer,
    Endangered,
    HoursMore,
    Likely,
    OptionDates,
    Reason,
)
from jobs.services.start_date_problem import Luck, OneMore, WarmProblem
from jobs.services.start_date_reasons import WORDS, days_by_reason
from jobs.services.start_date_runs import Runs, runs_of_options
from jobs.services.start_date_sold import SoldPlan, sold_plan
from jobs.services.unsold_jobs import Site, unsold_job
from jobs.services.work_at_hand import basis_read_or_kept

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from contractor.engine.schedule import Schedule
    from contractor.trade.building import Building
    from jobs.models import Job
    from jobs.services.start_date_options import Option

DESCRIBED = "AS_DESCRIBED"
BY_THE_DAY = "WANTED_BY"
RUNS = 200
SHARES = (0.1, 0.5, 0.8, 0.9)
# By how much a promise's chance must fall before it is told as endangered; our own.
ENDANGERED = 0.05
# Less labor than a quarter hour of one person is no difference.
LEAST_HOURS = 0.25


@dataclass(frozen=True, slots=True)
class _Way:
    """A way to build that is asked about, with its row among the portfolio's unsold jobs."""

    code: str
    label: str
    row: int = -1
    labor_hours: float = 0
    because: str = ""


def ask(
    *,
    building: Building,
    site: Site,
    options: Sequence[Option],
    now: datetime,
    wanted_on: date | None = None,
    runs: int = RUNS,
) -> Answer:
    """
    Return when the building and each option could start and finish; nothing is stored or booked.

    All that is sold stays where it is planned. With a day `wanted_on` that the building misses,
    one more row tells what putting it first would do.

    Raises
    ------
    crews.selectors.NoFirm
        If no firm is entered.
    TooFarAheadError
        If the work does not end within about ten years.
    """
    if site.authority is not None:
        prefetch_related_objects([site.authority], "closures", "inspection_rules")
    basis = basis_read_or_kept(now=now)
    ways, jobs = _ways(building, site, options, basis.work.now)
    for days in horizons():
        try:
            sold = sold_plan(basis, days)
            asked = _Asked(sold, with_more_jobs(sold.portfolio, jobs), runs, wanted_on)
        except HorizonExceeded:
            continue
        if asked.has_room or days == LAST_HORIZON_DAYS:
            return Answer(now, runs, wanted_on, tuple(asked.all(ways)))
    raise TooFarAheadError(
        f"The work reaches further than {LAST_HORIZON_DAYS} days ahead. Ask with a nearer day, "
        "or look for a date typed wrong."
    )


def _ways(
    building: Building, site: Site, options: Sequence[Option], now: datetime
) -> tuple[list[_Way], list[Job]]:
    firm_rates = rates()
    ways: list[_Way] = []
    jobs: list[Job] = []
    as_described = (DESCRIBED, "As described", building)
    for code, label, built in (as_described, *_changed(building, options)):
        if isinstance(built, str):
            ways.append(_Way(code, label, because=built))
            continue
        job, hours = unsold_job(
            index=len(jobs), building=built, site=site, rates=firm_rates, now=now
        )
        ways.append(_Way(code, label, len(jobs), hours))
        jobs.append(job)
    return ways, jobs


def _changed(
    building: Building, options: Sequence[Option]
) -> Iterable[tuple[str, str, Building | str]]:
    for option in options:
        try:
            yield option.code, option.label, option.change(building)
        except SpecError as error:
            yield option.code, option.label, f"it cannot be built so: {error.faults[0]}"


@dataclass(frozen=True, slots=True)
class _Described:
    """What others are compared with: days by reason, hours by phase, and its runs."""

    spent: dict[str, float]
    hours: dict[str, float]
    drawn: Runs

    @property
    def middle(self) -> float:
        """Return the P50 of the finish."""
        return float(np.median(self.drawn.finishes))


class _Asked:
    """One question: the warm problem, the plan of each way, and the luck that all ways share."""

    def __init__(
        self, sold: SoldPlan, portfolio: Portfolio, runs: int, wanted_on: date | None
    ) -> None:
        self.portfolio = portfolio
        self.sold = sold
        self.runs = runs
        self.wanted_on = wanted_on
        self.warm = WarmProblem(sold, portfolio)
        due = None if wanted_on is None else self._ends(wanted_on)
        unsold = range(len(portfolio.jobs) - len(sold.portfolio.jobs))
        self.plans = [self.warm.in_the_gaps(row, due=due) for row in unsold]
        together = self.warm.all_of(self.plans)
        self.luck = Luck(self.warm, sold.odds.with_more(portfolio, together))
        self.described: _Described | None = None
        self.before = Runs.of(sold.drawn(runs), (), sold.problem.jobs, sold.own_of)

    @property
    def has_room(self) -> bool:
        """Return whether all plans end well before the axis does, so that bad luck has room."""
        problem = self.portfolio.problem
        ends = [place.finish for plan in self.plans for place in plan.schedule.placed if place]
        room = MOST_OF_AXIS * (problem.axis.slots - problem.now)
        return max(ends, default=problem.now) - problem.now <= room

    def all(self, ways: Sequence[_Way]) -> Iterable[OptionDates]:
        """Yield each way's dates, and putting the described one first where it comes too late."""
        for way in ways:
            if way.because:
                yield OptionDates(code=way.code, label=way.label, because=way.because)
                continue
            found = self._dates(way, self.plans[way.row], self.luck)
            yield found
            if way.code == DESCRIBED and self._misses(found):
                label = f"Put first, to be done by {self.wanted_on:%b %-d, %Y}"
                first = self.warm.put_first(way.row)
                yield self._dates(
                    replace(way, code=BY_THE_DAY, label=label), first, self._of(first)
                )

    def _of(self, first: OneMore) -> Luck:
        """Return the luck of a plan that moves sold work, for which others may do that work."""
        schedule = self.warm.all_of([first])
        odds = OddsInMaking(self.portfolio, schedule, self.sold.learned)
        return Luck(self.warm, odds)

    def _misses(self, found: OptionDates) -> bool:
        wanted = self.wanted_on
        return (
            wanted is not None
            and found.planned_finish_on is not None
            and found.planned_finish_on > wanted
        )

    def _dates(self, way: _Way, one: OneMore, luck: Luck) -> OptionDates:
        unplanned = [row for row in one.schedule.unplanned if row.activity in one.own]
        if unplanned:
            # What only waits for such work is told by the work itself.
            reasons = {row.reason for row in unplanned if not row.reason.startswith("waits for")}
            because = "; ".join(sorted(reasons)) or unplanned[0].reason
            return OptionDates(
                code=way.code, label=way.label, labor_hours=way.labor_hours, because=because
            )
        after = self._drawn(way, one, luck)
        begins = min(place.start for place in one.places)
        ends = max(place.finish for place in one.places)
        spent = days_by_reason(self.portfolio, one)
        total, middle = sum(spent.values()), float(np.median(after.finishes))
        hours = self._hours_of(way)
        described = self.described = self.described or _Described(spent, hours, after)
        return OptionDates(
            code=way.code,
            label=way.label,
            labor_hours=way.labor_hours,
            runs=after.drawn,
            crew=self._crew_of(one),
            planned_start_on=self._day(begins),
            planned_finish_on=self._day(ends),
            likely_start=self._likely(after.starts),
            likely_finish=self._likely(after.finishes),
            chance_by_planned=self._chance_by(self._day(ends), after.finishes),
            chance_by_wanted=self._chance_by(self.wanted_on, after.finishes),
            more_days=total - sum(described.spent.values()),
            likely_more_days=(middle - described.middle) / SLOTS_PER_DAY,
            reasons=_reasons(spent, described.spent),
            hours_more=_hours_more(hours, described.hours),
            endangered=tuple(self._endangered(one, after)),
            moved_jobs=self._moved_jobs(one),
        )

    def _drawn(self, way: _Way, one: OneMore, luck: Luck) -> Runs:
        """Return the runs of a way; of an option fewer where there is much work, and filled up."""
        full, runs = self.described, self.runs
        if full is not None and way.code != BY_THE_DAY:
            runs = runs_of_options(runs, len(one.rows))
        after = Runs.of(luck.drawn(one, runs), one.own, self.sold.problem.jobs, self.sold.own_of)
        return after if full is None or runs == self.runs else after.beside(full.drawn)

    def _hours_of(self, way: _Way) -> dict[str, float]:
        """Return the labor hours of each phase of an unsold job."""
        job = self.portfolio.jobs[self.warm.sold_jobs + way.row]
        return {phase.get_code_display(): phase.planned_hours for phase in job.phases.all()}

    def _crew_of(self, one: OneMore) -> str:
        """Return the crew that does most of a job."""
        slots: Counter[int] = Counter()
        problem = self.portfolio.problem
        for place in one.places:
            mode = problem.activities[one.rows[place.activity]].modes[place.mode]
            if mode.crew is not None:
                slots[mode.crew] += mode.work_slots
        return problem.resources[slots.most_common(1)[0][0]].label if slots else ""

    def _likely(self, slots: NDArray[np.int32]) -> Likely:
        """Return the days that are not passed with each chance; a day that a run had."""
        found = np.quantile(slots, SHARES, method="inverted_cdf")
        return Likely(*(self._day(int(slot)) for slot in found))

    def _day(self, slot: int) -> date | None:
        axis = self.portfolio.problem.axis
        return None if slot > axis.slots else timezone.localdate(axis.instant(slot))

    def _chance_by(self, day: date | None, finishes: NDArray[np.int32]) -> float | None:
        return None if day is None else float((finishes <= self._ends(day)).mean())

    def _ends(self, day: date) -> int:
        """Return the slot at which a day ends."""
        return self.portfolio.calendars.slot_of_day(day + timedelta(days=1))

    def _endangered(self, one: OneMore, after: Runs) -> Iterable[Endangered]:
        """Yield the sold jobs whose promise suffers, the one that suffers most first."""
        rows = []
        for index, becomes in after.chances.items():
            was, own, due = self.before.chances[index], self.sold.own_of[index], self._due(index)
            was_late = _days_late(self.sold.schedule, own, due)
            late = _days_late(one.schedule, own, due)
            if was - becomes >= ENDANGERED or late > was_late:
                told = self.portfolio.jobs[index]
                rows.append(Endangered(told, was, becomes, was_late, late))
        return sorted(rows, key=lambda row: (row.chance_after - row.chance_before, row.job.number))

    def _due(self, index: int) -> int:
        """Return the slot by which a sold job is promised."""
        due = self.sold.problem.jobs[index].due
        assert due is not None
        return due

    def _moved_jobs(self, one: OneMore) -> int:
        """Return how many sold jobs start some work at another moment or on another crew."""
        moved = set()
        for before, after in zip(self.sold.schedule.placed, one.schedule.placed, strict=False):
            if before is None or after is None:
                continue
            if (before.start, before.mode) != (after.start, after.mode):
                moved.add(self.sold.problem.activities[before.activity].job)
        return len(moved)


def _days_late(schedule: Schedule, own: Sequence[int], due: int) -> int:
    """Return the whole days, begun ones counted, from the promise to the planned finish."""
    ends = max((place.finish for i in own if (place := schedule.placed[i])), default=due)
    return max(0, -(-(ends - due) // SLOTS_PER_DAY))


def _reasons(spent: dict[str, float], described: dict[str, float]) -> tuple[Reason, ...]:
    """Return what the days go to, what differs most from the building as described first."""
    rows = [
        Reason(kind, WORDS.get(kind, kind), spent.get(kind, 0.0), spent.get(kind, 0.0) - days)
        for kind, days in (dict.fromkeys(spent, 0.0) | described).items()
    ]
    return tuple(sorted(rows, key=lambda row: (-abs(row.more_days), -row.days, row.kind)))


def _hours_more(hours: dict[str, float], described: dict[str, float]) -> tuple[HoursMore, ...]:
    """Return the phases whose labor hours differ, the largest difference first."""
    rows = [
        HoursMore(phase, hours.get(phase, 0.0) - described.get(phase, 0.0))
        for phase in described | hours
    ]
    differ = (row for row in rows if abs(row.hours) >= LEAST_HOURS)
    return tuple(sorted(differ, key=lambda row: (-abs(row.hours), row.phase)))
