"""Choose each job's crew, and when it begins, by trying.

Who is free first for the first phase may be long away for the rest, and a job begun in the first
gap may lie open until the next one. So a job is seen through on every crew, and begun later too,
before the pass settles on what costs least.
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from contractor.engine.dates import UNPLANNED, Dates
from contractor.engine.objective import (
    PRICE_EXTRA_CREW,
    PRICE_FINISH_DAY,
    PRICE_LATE_DAY,
    PRICE_OPEN_DAY,
    days_late,
)
from contractor.engine.prepared import Prepared
from contractor.engine.serial import Run
from contractor.engine.tighten import tighten
from contractor.engine.worktime import SLOTS_PER_DAY, HorizonExceeded

LATER_BEGINS_DAYS = (7, 14, 28, 42)
"""How much later than it could a job is tried to begin; our own choice."""
PRICE_LATER_BEGIN = 24.0
"""What beginning later must save at least: six days of an open site."""


def run_staffed(prepared: Prepared, order: Sequence[int]) -> Dates:
    """Return dates for all activities, each job on the crew with which it costs least by then.

    Jobs already placed count as settled. The same dates come out of `run_serial` with the same
    order and the crews found here. Raises HorizonExceeded when something does not fit.
    """
    return _StaffedRun(prepared).place_all(order)


class _Trial(NamedTuple):
    """What the rest of a job costs on one crew, begun no sooner than `begins`."""

    cost: float
    begins: int
    opens: int
    crews: Mapping[int, int]


class _StaffedRun(Run):
    """A pass that tries the rest of a job on several crews before it places the first of it."""

    def __init__(self, prepared: Prepared) -> None:
        self.begins: dict[int, int] = {}
        self.crews: dict[int, int] = {}
        super().__init__(prepared, self.crews, self.begins, right_shift=False)

    def place(self, activity: int) -> None:
        job = self.prepared.job[activity]
        if self.prepared.may_wait[activity] and not self.job_crews[job]:
            self._staff(job)
        super().place(activity)

    def _staff(self, job: int) -> None:
        """Settle who does what of `job` and when it begins."""
        rest = self._rest(job)
        if rest is None:
            return
        best: _Trial | None = None
        for crew in sorted(self.prepared.coverage_by_job[job]):
            soonest = self._try(job, rest, crew, 0, best)
            if soonest is None:
                continue
            best = min(best or soonest, soonest, key=_cost)
            for days in LATER_BEGINS_DAYS:
                begins = soonest.opens + days * SLOTS_PER_DAY
                later = self._try(job, rest, crew, begins, best)
                if later is None:
                    break
                best = min(best, later, key=_cost)
        if best is not None:
            self.crews.update(best.crews)
            if best.begins:
                self.begins[job] = best.begins

    def _rest(self, job: int) -> list[int] | None:
        """Return what is left of `job`, or None where it waits for another job not yet placed."""
        members, leaders = self.prepared.members_by_job[job], self.prepared.leaders
        rest = [i for i in members if not self._settled(i)]
        known = set(rest)
        waits = any(
            row.activity not in known and not self._settled(row.activity)
            for i in rest
            for row in leaders[i]
        )
        return None if waits else rest

    def _settled(self, i: int) -> bool:
        return self.dates.mode[i] != UNPLANNED or i in self.dates.held_by

    def _try(
        self, job: int, rest: Sequence[int], crew: int, begins: int, best: _Trial | None
    ) -> _Trial | None:
        """Return the trial of `job` with `crew` as its own; undo it all.

        None where it runs off the axis, or ends so late that it cannot beat `best`.
        """
        self.job_crews[job] = [crew]
        self.begins[job] = begins
        try:
            for i in rest:
                super().place(i)
                if best and self._price_of_finish(job, self.dates.finish[i]) >= best.cost:
                    return None
            tighten(self.prepared, self.dates, self.timelines, job)
            return self._trial(job, rest)
        except HorizonExceeded:
            return None
        finally:
            self._take_back(rest)
            self.job_crews[job] = []
            del self.begins[job]

    def _trial(self, job: int, rest: Sequence[int]) -> _Trial:
        dates = self.dates
        begins = self.begins[job]
        placed = [i for i in self.prepared.members_by_job[job] if dates.mode[i] != UNPLANNED]
        on_site = [i for i in placed if dates.crew[i] is not None]
        crews = {i: by for i in rest if (by := dates.crew[i]) is not None}
        if not on_site:
            return _Trial(0.0, begins, 0, crews)
        opens = min(dates.start[i] for i in on_site)
        open_slots = max(dates.finish[i] for i in on_site) - opens
        cost = (
            (PRICE_LATER_BEGIN if begins else 0.0)
            + PRICE_EXTRA_CREW * len({dates.crew[i] for i in on_site})
            + PRICE_OPEN_DAY * open_slots / SLOTS_PER_DAY
            + self._price_of_finish(job, max(dates.finish[i] for i in placed))
        )
        return _Trial(cost, begins, opens, crews)

    def _price_of_finish(self, job: int, finish: int) -> float:
        due, weight = self.prepared.due_by_job[job], self.prepared.weight_by_job[job]
        late = 0 if due is None else days_late(due, finish)
        return PRICE_LATE_DAY * weight * late + PRICE_FINISH_DAY * finish / SLOTS_PER_DAY

    def _take_back(self, activities: Sequence[int]) -> None:
        dates = self.dates
        for i in activities:
            dates.held_by.pop(i, None)
            if dates.mode[i] == UNPLANNED:
                continue
            for resource, units in self.prepared.modes[i][dates.mode[i]].uses:
                self.timelines[resource].vacate(dates.start[i], dates.finish[i], units, i)
            dates.mode[i] = UNPLANNED
            dates.crew[i] = dates.blocker[i] = dates.held_back_for[i] = None
            dates.start[i] = dates.finish[i] = 0


def _cost(trial: _Trial) -> float:
    return trial.cost
