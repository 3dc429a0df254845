"""First plans: several priority rules through the decoder, and the announced plan pushed right."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from typing import NamedTuple

import numpy as np

from contractor.engine.compiled import Floats, Ints, kernel
from contractor.engine.dates import Dates, dates_of
from contractor.engine.objective import Objective, score
from contractor.engine.occupancy import new_state
from contractor.engine.passes import order_by_start, pass_into, sort_by
from contractor.engine.placing import Pass
from contractor.engine.prepared import NONE, Layout, prepare
from contractor.engine.prices import PRICE_LATE_DAY
from contractor.engine.pricing import price_of_all
from contractor.engine.priority_rules import ANNOUNCED_ORDER, DUE_DATE, RIGHT_SHIFT, RULES, load_of
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
    "least_disturbing",
]

REPAIR = "local repair"
ANNOUNCED_STARTS = "announced starts"
"""The right shift, but work that waits for a late delivery lets what comes after it go first."""
YIELDING = ", crews yield"
FIRST_READY = "first ready"
AT_ONCE = ", begun at once"
"""Nothing is held back for its job to run through: that takes time which others may wait for."""
YIELDING_CREW_SLOTS = 64
"""Sixteen hours by the clock: a crew yields to one that is done by the next day; our own."""
LEAST_WORTH_MOVING_MORE = PRICE_LATE_DAY
"""What a plan that moves more people than the repair must save; our own."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """One way to make a first plan, with the dates and cost that it gives."""

    source: str
    dates: Dates
    objective: Objective


OrderOf = Callable[[str], Ints]
"""Positions by the name of a rule."""


class _Source(NamedTuple):
    """A named way to make a plan in a state.

    It returns False where it gave up a plan that breaks a promise and costs more than so much.
    """

    name: str
    run: Callable[[State, float], bool]


def candidates(problem: Problem) -> tuple[Candidate, ...]:
    """Return the plan of every rule that fits the axis; the pushed-right plan is the first.

    Where all of them break a promise, the rules run again with crews that yield sooner, and then
    with nothing held back: a crew that stays with its job, and a job that runs through, are worth
    something, but less than a kept promise.
    Raises HorizonExceeded when none fits.
    """
    layout = prepare(problem)
    found = []
    states = [new_state(layout)]
    for source, _ in _tried(layout, states, gives_up=False):
        dates = dates_of(layout, states[0])
        found.append(Candidate(source, dates, score(problem, dates)))
    return tuple(found)


def greedy(problem: Problem) -> Candidate:
    """Return the cheapest candidate; of equals the one that moves least, hence the first.

    Raises HorizonExceeded when none fits the axis.
    """
    layout = prepare(problem)
    best, least = "", np.inf
    # The plan at trial, and the best one so far.
    states = [new_state(layout), new_state(layout)]
    for source, price in _tried(layout, states, gives_up=True):
        if price < least - 1e-6:
            best, least = source, price
            states.reverse()
    dates = dates_of(layout, states[1])
    return Candidate(best, dates, score(problem, dates))


def least_disturbing(problem: Problem) -> Candidate:
    """Return the repair, or a plan by which jobs end sooner and that costs clearly less.

    None moves anything that was told to an earlier start. A crew that loses days either goes on as
    told and comes back when it is next free, which moves fewest people, or does all that follows
    as much later: where it is booked solid, the first can send one job to the end of the season.
    Raises HorizonExceeded when the repair does not fit the axis.
    """
    layout = prepare(problem)
    state = new_state(layout)
    best = _repaired(problem, layout, state)
    order = sort_by(layout, RULES[ANNOUNCED_ORDER](load_of(layout)))
    for source in _told_sources(layout, order):
        if source.name not in (RIGHT_SHIFT, ANNOUNCED_STARTS):
            continue
        state.begins_by_job[:] = 0
        try:
            source.run(state, np.inf)
        except HorizonExceeded:
            continue
        dates = dates_of(layout, state)
        found = Candidate(source.name, dates, score(problem, dates))
        worth = LEAST_WORTH_MOVING_MORE if best.source == REPAIR else 0.0
        if found.objective.total < best.objective.total - worth and _ends(found) < _ends(best):
            best = found
    return best


def _repaired(problem: Problem, layout: Layout, state: State) -> Candidate:
    repair_into(layout, state)
    dates = dates_of(layout, state)
    return Candidate(REPAIR, dates, score(problem, dates))


def _ends(found: Candidate) -> tuple[float, float]:
    """Return how late a plan's jobs end: against promises, then at all."""
    return found.objective.late_weighted_days, found.objective.finish_days


def _tried(
    layout: Layout, states: Sequence[State], *, gives_up: bool
) -> Iterator[tuple[str, float]]:
    """Make each plan that fits the axis in the first of `states`; yield its source and price.

    With `gives_up`, plans are left out that break a promise and are found on the way to cost more
    than the least so far.
    """
    load = load_of(layout)
    order_of = cache(lambda name: sort_by(layout, RULES[name](load)))
    too_long: HorizonExceeded | None = None
    least, least_late = np.inf, np.inf
    for suffix in ("", YIELDING, AT_ONCE):
        if suffix and not least_late:
            break
        if suffix == YIELDING and layout.change_crew_slots <= YIELDING_CREW_SLOTS:
            continue
        for source in _sources(layout, order_of, suffix):
            state = states[0]
            state.begins_by_job[:] = 0
            try:
                # A hair's breadth more: the same prices, added up in another order.
                if not source.run(state, least * (1 + 1e-9) if gives_up else np.inf):
                    continue
            except HorizonExceeded as exceeded:
                too_long = exceeded
                continue
            price = price_of_all(layout, state)
            least, least_late = min(least, price), min(least_late, _late_days(layout, state))
            yield source.name, price
    if least_late == np.inf and too_long is not None:
        raise too_long


def _sources(layout: Layout, order_of: OrderOf, suffix: str) -> Iterator[_Source]:
    """Yield the passes: by rule activity by activity, then job by job with its crew."""
    run = partial(_run, layout)
    if suffix == YIELDING:
        run = partial(_run, layout, change_crew_slots=YIELDING_CREW_SLOTS)
    elif suffix == AT_ONCE:
        run = partial(_run, layout, tightens=False)
    elif np.any(layout.told_start != NONE):
        yield from _told_sources(layout, order_of(ANNOUNCED_ORDER))
    for name in RULES:
        if name not in (RIGHT_SHIFT, ANNOUNCED_ORDER):
            yield _Source(name + suffix, partial(run, order_of(name)))
    if suffix != YIELDING:
        yield _Source(FIRST_READY + suffix, partial(run, order_of(DUE_DATE), first_ready=True))
    # Job by job every crew is tried in any case, so there crews need not yield.
    for name in JOB_RULES if not suffix and _trials(layout) <= MOST_TRIALS else ():
        order = _jobs_together(layout, order_of(name))
        yield _Source(f"{name}, job by job", partial(run, order, staffs=True))


def _trials(layout: Layout) -> int:
    """Return how many modes are looked at when each job is tried on each crew that can help."""
    modes = np.bincount(layout.job, np.diff(layout.mode_first), minlength=layout.jobs)
    crews = (layout.coverage.reshape(layout.jobs, layout.resources) > 0).sum(axis=1)
    return int((modes * crews).sum())


def _told_sources(layout: Layout, order: Ints) -> Iterator[_Source]:
    """Yield the passes that keep the announced crews, the one that moves least first."""
    kept = partial(_run, layout, order, crew_choice=layout.told_crew)
    yield _Source(RIGHT_SHIFT, partial(kept, right_shift=True))
    yield _Source(ANNOUNCED_STARTS, partial(kept, right_shift=True, in_turn=False))
    yield _Source(REPAIR, partial(_repair, layout))
    yield _Source(ANNOUNCED_ORDER, kept)


def _repair(layout: Layout, state: State, _: float) -> bool:
    repair_into(layout, state)
    return True


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


def _run(layout: Layout, order: Ints, state: State, at_most: float, **how: object) -> bool:
    return pass_into(layout, state, order, at_most=at_most, **how)  # type: ignore[arg-type]


def _jobs_together(layout: Layout, position: Ints) -> Ints:
    """Return positions job by job, a job where `position` puts the first of it."""
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


@kernel
def _late_days(lay: Layout, st: State) -> float:
    """Return by how many slots jobs end late, their weights counted; 0 where none does."""
    late = 0.0
    for i in range(lay.size):
        due = lay.due[lay.job[i]]
        if due != NONE and st.finish[i] > due:
            late += lay.weight[lay.job[i]] * (st.finish[i] - due)
    return late


MOST_TRIALS = 5_000_000
"""Modes tried for all jobs on all crews, beyond which going job by job would take too long."""

JOB_RULES = ("slack by weight", DUE_DATE)
"""The rules that also go job by job; each trial of crews takes as long as all other passes."""
