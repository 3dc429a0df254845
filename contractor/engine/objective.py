"""What a plan costs: late promises, moves of what people were told, crews, and time."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from contractor.engine.compiled import Ints
from contractor.engine.dates import Dates, freed_by_links
from contractor.engine.prepared import NONE, UNDER_WAY, Layout, prepare
from contractor.engine.prices import (
    FROZEN_TOLERANCE_SLOTS,
    PRICE_BROKEN_PIN,
    PRICE_CREW_CHANGE,
    PRICE_EXTRA_CREW,
    PRICE_FINISH_DAY,
    PRICE_FROZEN_MOVE,
    PRICE_LATE_DAY,
    PRICE_MOVED_DAY,
    PRICE_OPEN_DAY,
    PRICE_OVERLONG_DAY,
    PRICE_UNPLANNED,
)
from contractor.engine.problem import Problem
from contractor.engine.schedule import Schedule
from contractor.engine.state import UNPLANNED
from contractor.engine.worktime import SLOTS_PER_DAY

__all__ = ["FROZEN_TOLERANCE_SLOTS", "Objective", "objective", "score"]


@dataclass(frozen=True, slots=True)
class Objective:
    """The parts of a plan's cost and their priced sum.

    `late_weighted_days`: whole days each job ends after the day of its due slot, times its weight.
    `moved_days`: whole days announced starts move, times their weights; less than a day is free.
    `frozen_moves`: announced activities inside the freeze, not pinned since, on another crew or
    begun FROZEN_TOLERANCE_SLOTS or more away.
    `crew_changes`: activities on another crew than announced.
    `extra_crews`: crews on a job beyond one, its preferred crew counted as one.
    `visits`: how often crews come to sites, a crew that was away too long anew; `visits_priced`:
    each at its job's price.
    `overlong_days`: whole days by which links hold longer than they should.
    `open_days`: whole days from each job's first crew start (from now where it has begun) to its
    last crew finish, summed.
    `finish_days`: days from now to each job's finish, summed.
    """

    late_weighted_days: float
    late_jobs: int
    moved_days: float
    frozen_moves: int
    crew_changes: int
    extra_crews: int
    broken_pins: int
    unplanned: int
    visits: int
    visits_priced: float
    overlong_days: int
    open_days: int
    finish_days: float
    total: float


class _Plan(NamedTuple):
    """Who does what when, by activity; NONE where there is no crew, UNPLANNED where no place."""

    layout: Layout
    mode: Ints
    crew: Ints
    start: Ints
    finish: Ints

    @property
    def placed(self) -> NDArray[np.bool_]:
        """Return what has a place."""
        return np.not_equal(self.mode, UNPLANNED)


def objective(problem: Problem, schedule: Schedule) -> Objective:
    """Return the cost of `schedule` by parts."""
    places = [placed for placed in schedule.placed if placed is not None]
    layout = prepare(problem)
    at = _slots([placed.activity for placed in places])
    mode, crew, start, finish = (
        np.full(layout.size, empty, dtype=np.int32) for empty in (UNPLANNED, NONE, 0, 0)
    )
    mode[at] = [placed.mode for placed in places]
    crew[at] = layout.mode_crew[layout.mode_first[at] + mode[at]]
    start[at] = [placed.start for placed in places]
    finish[at] = [placed.finish for placed in places]
    return _cost(
        problem,
        _Plan(layout, mode, crew, start, finish),
        unplanned={entry.activity for entry in schedule.unplanned},
        broken={entry.activity for entry in schedule.broken_pins},
    )


def score(problem: Problem, dates: Dates) -> Objective:
    """Return the cost of bare dates by parts."""
    crew = [NONE if crew is None else crew for crew in dates.crew]
    columns = (dates.mode, crew, dates.start, dates.finish)
    return _cost(
        problem,
        _Plan(prepare(problem), *map(_slots, columns)),
        unplanned=set(dates.held_by),
        broken=set(dates.broken_pins),
    )


def _cost(problem: Problem, plan: _Plan, *, unplanned: set[int], broken: set[int]) -> Objective:
    late_days, late_jobs, finish_days = _by_job(problem, plan)
    moved_days, frozen_moves, crew_changes = _by_announced(plan)
    extra_crews = _extra_crews(plan)
    open_days = _open_days(plan)
    visits, visits_priced = _visits(plan)
    overlong_days = _overlong_days(plan)
    activities = problem.activities
    lost_pins = {i for i in unplanned if activities[i].pin and not activities[i].under_way}
    broken_pins = len(lost_pins | broken)
    total = (
        PRICE_UNPLANNED * len(unplanned)
        + PRICE_BROKEN_PIN * broken_pins
        + PRICE_FROZEN_MOVE * frozen_moves
        + PRICE_LATE_DAY * late_days
        + PRICE_CREW_CHANGE * crew_changes
        + PRICE_EXTRA_CREW * extra_crews
        + PRICE_MOVED_DAY * moved_days
        + visits_priced
        + PRICE_OVERLONG_DAY * overlong_days
        + PRICE_OPEN_DAY * open_days
        + PRICE_FINISH_DAY * finish_days
    )
    return Objective(
        late_weighted_days=late_days,
        late_jobs=late_jobs,
        moved_days=moved_days,
        frozen_moves=frozen_moves,
        crew_changes=crew_changes,
        extra_crews=extra_crews,
        broken_pins=broken_pins,
        unplanned=len(unplanned),
        visits=visits,
        visits_priced=visits_priced,
        overlong_days=overlong_days,
        open_days=open_days,
        finish_days=finish_days,
        total=total,
    )


def days_late(due: int, finish: int) -> int:
    """Return whole days by which `finish` lies after the day that ends at slot `due`."""
    return max(0, -(-(finish - due) // SLOTS_PER_DAY))


def all_days_late(due: int, finishes: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return `days_late` of each of `finishes`."""
    return np.maximum(0, -(-(finishes - due) // SLOTS_PER_DAY))


def _by_job(problem: Problem, plan: _Plan) -> tuple[float, int, float]:
    ends = np.full(plan.layout.jobs, -1, dtype=np.int32)
    placed = np.flatnonzero(plan.placed)
    np.maximum.at(ends, plan.layout.job[placed], plan.finish[placed])
    late_days, late_jobs, finish_slots = 0.0, 0, 0
    # Added up as in the bound, so that a plan that reaches it costs exactly as much.
    for job, end in zip(problem.jobs, ends.tolist(), strict=True):
        if end < 0:
            continue
        finish_slots += end - problem.now
        if job.due is not None and end > job.due:
            late_days += job.weight * days_late(job.due, end)
            late_jobs += 1
    return late_days, late_jobs, finish_slots / SLOTS_PER_DAY


def _open_days(plan: _Plan) -> int:
    layout = plan.layout
    on_site = np.flatnonzero(plan.crew != NONE)
    job = layout.job[on_site]
    opens = np.full(layout.jobs, layout.axis_slots + 1, dtype=np.int32)
    closes = np.full(layout.jobs, -1, dtype=np.int32)
    np.minimum.at(opens, job, plan.start[on_site])
    np.maximum.at(closes, job, plan.finish[on_site])
    slots = closes - np.where(layout.begun, layout.now, opens)
    return int((slots[closes >= 0] // SLOTS_PER_DAY).sum())


def _visits(plan: _Plan) -> tuple[int, float]:
    """Return the visits to all sites, and their price."""
    layout = plan.layout
    stays = np.flatnonzero(plan.crew != NONE)
    if not stays.size:
        return 0, 0.0
    job, crew, start, finish = (
        column[stays] for column in (layout.job, plan.crew, plan.start, plan.finish)
    )
    order = np.lexsort((finish, start, crew, job))
    job, crew, start, finish = job[order], crew[order], start[order], finish[order]
    another = np.ones(stays.size, dtype=np.bool_)
    another[1:] = (job[1:] != job[:-1]) | (crew[1:] != crew[:-1])
    # The latest finish so far of each crew on its site; a step of more than the axis parts them.
    apart = np.cumsum(another) * (layout.axis_slots + 1)
    left = np.maximum.accumulate(finish + apart) - apart
    anew = another
    anew[1:] |= start[1:] - left[:-1] > layout.visit_pause_slots
    return int(anew.sum()), float(layout.visit_price[job[anew]].sum())


def _overlong_days(plan: _Plan) -> int:
    layout, placed = plan.layout, plan.placed
    after = np.repeat(np.arange(layout.size), np.diff(layout.leader_first))
    limited = (layout.leader_longest != NONE) & placed[layout.leader] & placed[after]
    freed = freed_by_links(layout, plan.start, plan.finish)
    over = (plan.start[after] - freed - layout.leader_longest)[limited]
    return int(-(-over[over > 0] // SLOTS_PER_DAY).sum())


def _by_announced(plan: _Plan) -> tuple[float, int, int]:
    layout = plan.layout
    told = np.flatnonzero((layout.told_start != NONE) & (layout.rank != UNDER_WAY) & plan.placed)
    crew = layout.told_crew[told]
    moved = np.abs(plan.start[told] - layout.told_start[told])
    other_crew = (crew != NONE) & (crew != plan.crew[told])
    moved_days = layout.told_weight[told] * (moved // SLOTS_PER_DAY)
    frozen = layout.told_frozen[told] & ((moved >= FROZEN_TOLERANCE_SLOTS) | other_crew)
    return float(moved_days.sum()), int(frozen.sum()), int(other_crew.sum())


def _extra_crews(plan: _Plan) -> int:
    layout = plan.layout
    on_site, preferred = (np.flatnonzero(c != NONE) for c in (plan.crew, layout.preferred_crew))
    pairs = np.unique(
        np.concatenate(
            (
                layout.job[on_site].astype(np.int64) * layout.resources + plan.crew[on_site],
                preferred * layout.resources + layout.preferred_crew[preferred],
            )
        )
    )
    return pairs.size - np.unique(pairs // max(layout.resources, 1)).size


def _slots(values: Sequence[int]) -> Ints:
    return np.array(values, dtype=np.int32)
