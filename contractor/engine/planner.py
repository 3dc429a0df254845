"""Plan a problem: the best first plan, then improvement until told to stop."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from time import monotonic

import numpy as np

from contractor.engine import exact, exact_parts
from contractor.engine.bound import Bound, bound_of, lower_bound
from contractor.engine.compiled import Ints
from contractor.engine.dates import dates_of
from contractor.engine.decode import to_schedule
from contractor.engine.greedy import (
    REPAIR,
    greedy,
    keeps_what_was_told,
    least_disturbing,
    repair_into,
)
from contractor.engine.improve import search
from contractor.engine.objective import Objective, objective, score
from contractor.engine.occupancy import new_state
from contractor.engine.passes import pass_exactly
from contractor.engine.prepared import prepare
from contractor.engine.problem import Problem
from contractor.engine.project.plain import PlainProject, as_plain, to_slots
from contractor.engine.project.solve import solve
from contractor.engine.schedule import Schedule
from contractor.engine.stops import AnyStop, CancelStop, Progress, SecondsStop, Stop

__all__ = ["EXACT", "IMPROVED", "PARTS", "PROJECT", "PlanResult", "keep", "plan", "repair"]

IMPROVED = "improved"
EXACT = "exact finish"
PARTS = "exact parts"
PROJECT = "single project"
SHARE_FOR_SEARCH = 0.4
"""Which share of the seconds the search has before an exact finish that is within reach."""


@dataclass(frozen=True, slots=True)
class PlanResult:
    """A plan and what is known of it.

    `source` is the rule of the first plan, or what improved it last. `bound` is there only for a
    plan that places everything. `optimal` means proven so: no plan costs less.
    """

    schedule: Schedule
    objective: Objective
    source: str
    bound: Bound | None
    optimal: bool
    iterations: int
    seconds: float


def plan(
    problem: Problem,
    *,
    stop: Stop | None = None,
    seed: int = 1,
    progress: Progress | None = None,
    workers: int = 1,
    exact_seconds: float = 0.0,
) -> PlanResult:
    """Return the best plan found; without `stop`, the best first plan.

    Pushing the announced plan right, and repairing it, are always among the candidates, so no plan
    is worse than staying put. An exact finish follows, of the whole where few enough phases are
    free and part by part else, for the rest of the seconds of a `stop` that counts them, and for
    `exact_seconds` else.
    Raises HorizonExceeded when the axis is too short for any candidate.
    """
    began = monotonic()
    first = greedy(problem)
    told = keeps_what_was_told(first.source)
    best = PlanResult(
        to_schedule(problem, first.dates, right_shift=told),
        first.objective,
        first.source,
        lower_bound(problem),
        False,
        0,
        0.0,
    )
    if stop is not None and not _reached(best):
        plain = as_plain(problem)
        if plain is not None:
            best = _as_project(problem, plain, best, stop, seed, workers, progress)
        else:
            best = _improved(problem, best, stop, seed, workers, progress, exact_seconds)
    optimal = best.optimal or _reached(best)
    bound = None if best.schedule.unplanned else best.bound
    return replace(best, optimal=optimal, bound=bound, seconds=monotonic() - began)


def repair(problem: Problem) -> PlanResult:
    """Return the plan in which everything stays where it was announced unless it must move.

    Raises HorizonExceeded when the axis is too short.
    """
    began = monotonic()
    layout = prepare(problem)
    state = new_state(layout)
    repair_into(layout, state)
    dates = dates_of(layout, state)
    schedule = to_schedule(problem, dates, right_shift=True)
    return PlanResult(schedule, score(problem, dates), REPAIR, None, False, 0, monotonic() - began)


def keep(problem: Problem) -> PlanResult:
    """Return the cheapest plan that moves nothing that was told to an earlier start.

    Beside the repair, which leaves all others where they are and can send one job to the end of
    the season, stand the plans in which whoever follows comes as much later.
    Raises HorizonExceeded when the axis is too short.
    """
    began = monotonic()
    found = least_disturbing(problem)
    schedule = to_schedule(problem, found.dates, right_shift=True)
    seconds = monotonic() - began
    return PlanResult(schedule, found.objective, found.source, None, False, 0, seconds)


def _improved(
    problem: Problem,
    first: PlanResult,
    stop: Stop,
    seed: int,
    workers: int,
    progress: Progress | None,
    exact_seconds: float,
) -> PlanResult:
    """Return the better of `first` and what search and exact finish make of it."""
    counted = _seconds_of(stop)
    whole = exact.worth_it(problem)
    searching: Stop = stop
    if counted is not None:
        left = counted.left()
        share = SHARE_FOR_SEARCH if whole else 1.0 - exact_parts.share_of(problem, left)
        searching = AnyStop((stop, SecondsStop(left * share, counted.clock)))
    found = search(
        problem,
        first.schedule,
        stop=searching,
        seed=seed,
        progress=progress,
        workers=workers,
        others=_others(problem, first, workers),
    )
    best = replace(first, iterations=found.iterations)
    if found.objective.total < first.objective.total:
        best = replace(best, schedule=found.schedule, objective=found.objective, source=IMPROVED)
    seconds = exact_seconds if counted is None else counted.left()
    stopped = counted is not None and stop(best.iterations, best.objective.total)
    if seconds <= 0 or stopped or _reached(best):
        return best
    if not whole:
        rest = SecondsStop(seconds) if counted is None else counted
        return _finished_by_parts(problem, best, stop, rest, seed, progress)
    if best.schedule.unplanned:
        return best
    return _finished(problem, best, stop, seconds, seed, workers)


def _others(problem: Problem, first: PlanResult, workers: int) -> tuple[Schedule, ...]:
    """Return where a second walk sets out: from the repair, which moves fewer people."""
    told = any(activity.announced for activity in problem.activities)
    if workers < 2 or not told or first.source == REPAIR:
        return ()
    return (repair(problem).schedule,)


def _finished(
    problem: Problem, best: PlanResult, stop: Stop, seconds: float, seed: int, workers: int
) -> PlanResult:
    """Return `best` or, where it costs less, what the exact finish makes of it in `seconds`."""
    answer = exact.finish(
        problem,
        _incumbent(best),
        seconds=seconds,
        workers=workers,
        seed=seed,
        cancelled=lambda: _is_cancelled(stop),
    )
    best = _better_of(problem, best, answer.modes, answer.starts, EXACT)
    # Compared with a hair's breadth: the same prices, added up in another order.
    optimal = answer.proven and best.objective.total <= answer.total + 1e-6
    bound = best.bound
    if bound is not None and answer.bound > bound.total:
        bound = replace(bound, total=min(answer.bound, best.objective.total))
    return replace(best, optimal=optimal, bound=bound)


def _finished_by_parts(
    problem: Problem,
    best: PlanResult,
    stop: Stop,
    rest: SecondsStop,
    seed: int,
    progress: Progress | None,
) -> PlanResult:
    """Return `best` or, where it costs less, what exact answers for its parts make of it."""

    def tell(total: float) -> None:
        if progress is not None:
            progress(best.iterations, total)

    found = exact_parts.improve_parts(
        problem,
        _incumbent(best),
        left=rest.left,
        seed=seed,
        cancelled=lambda: _is_cancelled(stop),
        progress=tell,
    )
    return _better_of(problem, best, found.modes, found.starts, PARTS)


def _incumbent(best: PlanResult) -> exact.Incumbent:
    placed = best.schedule.placed
    return exact.Incumbent(
        [p.mode if p else exact.NO_MODE for p in placed],
        [p.start if p else 0 for p in placed],
        [p.finish if p else 0 for p in placed],
        best.objective.total,
    )


def _better_of(
    problem: Problem, best: PlanResult, modes: Sequence[int], starts: Sequence[int], source: str
) -> PlanResult:
    """Return `best` or, where it costs less, the plan that the decoder makes of these dates."""
    schedule = _exactly(problem, np.array(modes, dtype=np.int32), np.array(starts, dtype=np.int32))
    cost = objective(problem, schedule)
    if cost.total >= best.objective.total:
        return best
    return replace(best, schedule=schedule, objective=cost, source=source)


def _as_project(
    problem: Problem,
    plain: PlainProject,
    first: PlanResult,
    stop: Stop,
    seed: int,
    workers: int,
    progress: Progress | None,
) -> PlanResult:
    """Return the better of `first` and the shortest schedule found of a single project."""
    result = solve(plain, stop=stop, seed=seed, workers=workers, progress=progress)
    modes = np.zeros(len(problem.activities), dtype=np.int32)
    schedule = _exactly(problem, modes, np.array(to_slots(plain, result.starts), dtype=np.int32))
    cost = objective(problem, schedule)
    best = replace(
        first,
        iterations=result.iterations,
        optimal=result.optimal,
        bound=bound_of(problem, [plain.release + result.bound]),
    )
    if cost.total < first.objective.total:
        best = replace(best, schedule=schedule, objective=cost, source=PROJECT)
    return best


def _exactly(problem: Problem, modes: Ints, starts: Ints) -> Schedule:
    layout = prepare(problem)
    state = new_state(layout)
    pass_exactly(layout, state, modes, starts)
    return to_schedule(problem, dates_of(layout, state))


def _seconds_of(stop: Stop) -> SecondsStop | None:
    """Return the part of a stop that counts seconds, if it has one."""
    if isinstance(stop, SecondsStop):
        return stop
    parts = stop.stops if isinstance(stop, AnyStop) else ()
    return next((found for part in parts if (found := _seconds_of(part))), None)


def _is_cancelled(stop: Stop) -> bool:
    """Return whether someone has asked to stop, whatever time is left."""
    if isinstance(stop, CancelStop):
        return stop.cancelled()
    parts = stop.stops if isinstance(stop, AnyStop) else ()
    return any(_is_cancelled(part) for part in parts)


def _reached(result: PlanResult) -> bool:
    if result.bound is None or result.schedule.unplanned:
        return False
    return result.objective.total <= result.bound.total
