"""First plans: several priority rules through the decoder, and the announced plan pushed right.

No single rule wins on every problem: Browning and Yassine (2010), International Journal of
Production Economics 126(2), compare twenty (abstract, from memory). So all run and the best stays.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

import numpy as np

from contractor.engine.compiled import Floats, Ints, kernel
from contractor.engine.dates import Dates, dates_of
from contractor.engine.objective import Objective, score
from contractor.engine.occupancy import new_state
from contractor.engine.passes import Keys, order_by_start, pass_into, sort_by
from contractor.engine.placing import Pass
from contractor.engine.prepared import NONE, Layout, prepare
from contractor.engine.pricing import price_of_all
from contractor.engine.problem import Problem
from contractor.engine.repair import run_repair
from contractor.engine.state import State
from contractor.engine.worktime import HorizonExceeded

__all__ = [
    "ANNOUNCED_STARTS",
    "AT_ONCE",
    "REPAIR",
    "RIGHT_SHIFT",
    "RULES",
    "Candidate",
    "announced_crews",
    "candidates",
    "greedy",
    "keeps_what_was_told",
]

REPAIR = "local repair"
RIGHT_SHIFT = "right shift"
ANNOUNCED_STARTS = "announced starts"
"""The right shift, but work that waits for a late delivery lets what comes after it go first."""
ANNOUNCED_ORDER = "announced order"
YIELDING = ", crews yield"
FIRST_READY = "first ready"
AT_ONCE = ", begun at once"
"""Nothing is held back for its job to run through: that takes time which others may wait for."""
YIELDING_CREW_SLOTS = 64
"""Sixteen hours by the clock: a crew yields to one that is done by the next day; our own."""
ATC_LOOK_AHEAD = 2.0
"""The k of apparent tardiness cost; 1.5 to 4.5 is usual (from memory)."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way to make a first plan, with the dates and cost that it gives."""

    source: str
    dates: Dates
    objective: Objective


class _Load(NamedTuple):
    """Estimates in slots of the axis, contention left aside; by activity, and where said by job."""

    now: int
    due: Floats
    """Infinite where nothing is promised."""
    weight: Floats
    job: Floats
    told: Floats
    """Infinite where nothing was announced."""
    tail: Floats
    job_work: Floats
    job_release: Floats
    average_job_work: float


Rule = Callable[[_Load], Keys]


class _Source(NamedTuple):
    """A named way to make a plan in a state."""

    name: str
    run: Callable[[State], None]


def candidates(problem: Problem) -> tuple[Candidate, ...]:
    """Return the plan of every rule that fits the axis; the pushed-right plan is the first.

    Where all of them break a promise, the rules run again with crews that yield sooner, and then
    with nothing held back: a crew that stays with its job, and a job that runs through, are worth
    something, but less than a kept promise.
    Raises HorizonExceeded when none fits.
    """
    layout = prepare(problem)
    found = []
    for source, state, _ in _tried(layout):
        dates = dates_of(layout, state)
        found.append(Candidate(source, dates, score(problem, dates)))
    return tuple(found)


def greedy(problem: Problem) -> Candidate:
    """Return the cheapest candidate; of equals the one that moves least, hence the first.

    Raises HorizonExceeded when none fits the axis.
    """
    layout = prepare(problem)
    best: Candidate | None = None
    least = np.inf
    for source, state, price in _tried(layout):
        if price < least - 1e-6:
            least = price
            dates = dates_of(layout, state)
            best = Candidate(source, dates, score(problem, dates))
    assert best is not None
    return best


def _tried(layout: Layout) -> Iterator[tuple[str, State, float]]:
    """Yield each plan that fits the axis, in one and the same state, with its price."""
    load = _load(layout)
    state = new_state(layout)
    too_long: HorizonExceeded | None = None
    least_late = np.inf
    for suffix in ("", YIELDING, AT_ONCE):
        if suffix and not least_late:
            break
        if suffix == YIELDING and layout.change_crew_slots <= YIELDING_CREW_SLOTS:
            continue
        for source in _sources(layout, load, suffix):
            state.begins_by_job[:] = 0
            try:
                source.run(state)
            except HorizonExceeded as exceeded:
                too_long = exceeded
                continue
            least_late = min(least_late, _late_days(layout, state))
            yield source.name, state, price_of_all(layout, state)
    if least_late == np.inf and too_long is not None:
        raise too_long


def _sources(layout: Layout, load: _Load, suffix: str) -> Iterator[_Source]:
    """Yield the passes: by rule activity by activity, then job by job with its crew."""
    run = partial(_run, layout)
    if suffix == YIELDING:
        run = partial(_run, layout, change_crew_slots=YIELDING_CREW_SLOTS)
    elif suffix == AT_ONCE:
        run = partial(_run, layout, tightens=False)
    elif np.any(layout.told_start != NONE):
        yield from _told_sources(layout, load)
    for name, rule in RULES.items():
        if name not in (RIGHT_SHIFT, ANNOUNCED_ORDER):
            yield _Source(name + suffix, partial(run, sort_by(layout, rule(load))))
    if suffix != YIELDING:
        order = sort_by(layout, _due_date(load))
        yield _Source(FIRST_READY + suffix, partial(run, order, first_ready=True))
    # Job by job every crew is tried in any case, so there crews need not yield.
    for name in JOB_RULES if not suffix and _trials(layout) <= MOST_TRIALS else ():
        order = _jobsort_by(layout, RULES[name](load))
        yield _Source(f"{name}, job by job", partial(run, order, staffs=True))


def _trials(layout: Layout) -> int:
    """Return how many modes are looked at when each job is tried on each crew that can help."""
    modes = np.bincount(layout.job, np.diff(layout.mode_first), minlength=layout.jobs)
    crews = (layout.coverage.reshape(layout.jobs, layout.resources) > 0).sum(axis=1)
    return int((modes * crews).sum())


def _told_sources(layout: Layout, load: _Load) -> Iterator[_Source]:
    """Yield the passes that keep the announced crews, the one that moves least first."""
    order = sort_by(layout, _told(load))
    kept = partial(_run, layout, order, crew_choice=layout.told_crew)
    yield _Source(RIGHT_SHIFT, partial(kept, right_shift=True))
    yield _Source(ANNOUNCED_STARTS, partial(kept, right_shift=True, in_turn=False))
    yield _Source(REPAIR, partial(repair_into, layout))
    yield _Source(ANNOUNCED_ORDER, kept)


def repair_into(layout: Layout, state: State) -> None:
    """Keep in `state` all that was told where it is unless it must move. Raises HorizonExceeded."""
    state.crew_choice[:] = NONE
    state.mode_choice[:] = NONE
    state.not_before[:] = 0
    state.begins_by_job[:] = 0
    how = Pass(layout.change_crew_slots, False, False, True, False)
    # What leads to something that was told is placed with it.
    due_to = _led_to(layout, np.where(layout.told_start == NONE, np.inf, layout.told_start))
    position = order_by_start(layout, due_to)
    must_move = np.zeros(layout.size, dtype=np.uint8)
    known = -1
    # Again as long as others made way for something that then moved all the same.
    while known < (known := int(must_move.sum())):
        if not run_repair(layout, state, how, position, must_move):
            raise HorizonExceeded("some work does not end on the axis")


def keeps_what_was_told(source: str) -> bool:
    """Return whether plans of this source move nothing that was told to an earlier start."""
    return source in (RIGHT_SHIFT, ANNOUNCED_STARTS, REPAIR)


@kernel
def _led_to(lay: Layout, start: Floats) -> Floats:
    """Return the least start of each activity and all that follows it."""
    least = start.copy()
    for k in range(lay.size - 1, -1, -1):
        i = lay.topological[k]
        for f in range(lay.follower_first[i], lay.follower_first[i + 1]):
            least[i] = min(least[i], least[lay.follower[f]])
    return least


def _run(layout: Layout, order: Ints, state: State, **how: object) -> None:
    pass_into(layout, state, order, **how)  # type: ignore[arg-type]


def _jobsort_by(layout: Layout, keys: Keys) -> Ints:
    """Return positions job by job, a job where the rule puts the first of it."""
    position = sort_by(layout, keys)
    first = np.full(layout.jobs, layout.size, dtype=np.float64)
    np.minimum.at(first, layout.job, position)
    return sort_by(layout, (first[layout.job],))


def announced_crews(problem: Problem) -> Mapping[int, int]:
    """Return the crew that people have been told, by activity."""
    return {
        i: activity.announced.crew
        for i, activity in enumerate(problem.activities)
        if activity.announced and activity.announced.crew is not None
    }


def _load(layout: Layout) -> _Load:
    job, jobs = layout.job, layout.jobs
    own, tail = _tails(layout)
    work: Floats = np.bincount(job, weights=own, minlength=jobs).astype(np.float64)
    release = np.full(jobs, layout.axis_slots, dtype=np.float64)
    np.minimum.at(release, job, layout.earliest)
    busy = work[work > 0]
    due = np.where(layout.due == NONE, np.inf, layout.due.astype(np.float64))
    told = np.where(layout.told_start == NONE, np.inf, layout.told_start.astype(np.float64))
    return _Load(
        now=layout.now,
        due=due[job],
        weight=np.maximum(layout.weight, 1e-6)[job],
        job=job.astype(np.float64),
        told=told,
        tail=tail,
        job_work=work[job],
        job_release=release[job],
        average_job_work=float(busy.mean()) if busy.size else 1.0,
    )


@kernel
def _tails(lay: Layout) -> tuple[Floats, Floats]:
    """Return how long each activity takes on the axis at least, and with all that follows it."""
    own = np.zeros(lay.size)
    for i in range(lay.size):
        first = lay.mode_first[i]
        for m in range(first, lay.mode_first[i + 1]):
            worked = max(lay.total[lay.mode_calendar[m]], 1)
            takes = lay.mode_work[m] * lay.axis_slots / worked
            if m == first or takes < own[i]:
                own[i] = takes
    tail = own.copy()
    for k in range(lay.size - 1, -1, -1):
        i = lay.topological[k]
        for entry in range(lay.leader_first[i], lay.leader_first[i + 1]):
            wait = 0
            if lay.leader_wait[entry] != NONE:
                row = lay.leader_wait[entry] * (lay.axis_slots + 1)
                wait = min(lay.wait_table[row + lay.now], lay.axis_slots) - lay.now
            leader = lay.leader[entry]
            tail[leader] = max(tail[leader], own[leader] + wait + tail[i])
    return own, tail


@kernel
def _late_days(lay: Layout, st: State) -> float:
    """Return by how many slots jobs end late, their weights counted; 0 where none does."""
    late = 0.0
    for i in range(lay.size):
        due = lay.due[lay.job[i]]
        if due != NONE and st.finish[i] > due:
            late += lay.weight[lay.job[i]] * (st.finish[i] - due)
    return late


def _told(load: _Load) -> Keys:
    return load.told, load.due, load.job


def _due_date(load: _Load) -> Keys:
    return load.due, load.job


def _slack_per_weight(load: _Load) -> Keys:
    slack = load.due - load.now - load.tail
    return (np.where(slack > 0, slack / load.weight, slack * load.weight),)


def _weighted_due(load: _Load) -> Keys:
    return (load.due - load.now) / load.weight, load.job


def _apparent_tardiness_cost(load: _Load) -> Keys:
    work = np.maximum(load.job_work, 1.0)
    slack = np.maximum(0.0, load.due - load.now - load.tail)
    urgency = np.exp(-slack / (ATC_LOOK_AHEAD * load.average_job_work))
    return -load.weight / work * urgency, load.due, load.job


def _weighted_work(load: _Load) -> Keys:
    return load.job_work / load.weight, load.job


def _first_released(load: _Load) -> Keys:
    return load.job_release, load.job


RULES: Mapping[str, Rule] = {
    RIGHT_SHIFT: _told,
    ANNOUNCED_ORDER: _told,
    "due date": _due_date,
    "slack by weight": _slack_per_weight,
    "weighted due date": _weighted_due,
    "apparent tardiness cost": _apparent_tardiness_cost,
    "weighted shortest work": _weighted_work,
    "first released": _first_released,
}

MOST_TRIALS = 5_000_000
"""Modes tried for all jobs on all crews, beyond which going job by job would take too long."""

JOB_RULES = ("slack by weight", "due date")
"""The rules that also go job by job; each trial of crews takes as long as all other passes."""
