"""First plans: several priority rules through the decoder, and the announced plan pushed right.

No single rule wins on every problem: Browning and Yassine (2010), International Journal of
Production Economics 126(2), compare twenty (abstract, from memory). So all run and the best stays.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial
from math import exp, inf

from contractor.engine.dates import Dates
from contractor.engine.objective import Objective, score
from contractor.engine.prepared import Prepared, prepare
from contractor.engine.problem import Problem
from contractor.engine.serial import run_serial
from contractor.engine.staffing import run_staffed
from contractor.engine.worktime import HorizonExceeded

__all__ = [
    "ANNOUNCED_STARTS",
    "RIGHT_SHIFT",
    "RULES",
    "Candidate",
    "announced_crews",
    "candidates",
    "greedy",
]

RIGHT_SHIFT = "right shift"
ANNOUNCED_STARTS = "announced starts"
"""The right shift, but work that waits for a late delivery lets what comes after it go first."""
ANNOUNCED_ORDER = "announced order"
YIELDING = ", crews yield"
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


@dataclass(frozen=True, slots=True)
class _Load:
    """Estimates in slots of the axis, contention left aside: by activity, then by job."""

    tail: tuple[float, ...]
    work_by_job: tuple[float, ...]
    release_by_job: tuple[int, ...]
    average_work: float


_Key = tuple[float, ...]
Rule = Callable[[Problem, _Load, int], _Key]


def candidates(problem: Problem) -> tuple[Candidate, ...]:
    """Return the plan of every rule that fits the axis; the pushed-right plan is the first.

    Where all of them break a promise, the rules run again with crews that yield sooner: a crew
    that stays with its job is worth something, but less than a kept promise.
    Raises HorizonExceeded when none fits.
    """
    prepared = prepare(problem)
    load = _load(problem, prepared)
    found: list[Candidate] = []
    too_long: HorizonExceeded | None = None
    for yielding in (False, True):
        kept = found and not min(c.objective.late_weighted_days for c in found)
        if yielding and (kept or problem.change_crew_slots <= YIELDING_CREW_SLOTS):
            break
        for source, run in _runs(problem, prepared, load, yielding=yielding):
            try:
                dates = run()
            except HorizonExceeded as exceeded:
                too_long = exceeded
                continue
            found.append(Candidate(source, dates, score(problem, dates)))
    if not found and too_long is not None:
        raise too_long
    return tuple(found)


def _runs(
    problem: Problem, prepared: Prepared, load: _Load, *, yielding: bool
) -> Iterator[tuple[str, Callable[[], Dates]]]:
    """Yield a name and a pass: by rule activity by activity, then job by job with its crew."""
    suffix = ""
    if yielding:
        prepared = replace(prepared, change_crew_slots=YIELDING_CREW_SLOTS)
        suffix = YIELDING
    elif prepared.announced:
        yield from _told_runs(problem, prepared, load)
    for source, rule in RULES.items():
        if source not in (RIGHT_SHIFT, ANNOUNCED_ORDER):
            order = _order(problem, prepared, load, rule)
            yield source + suffix, partial(run_serial, prepared, order)
    # Job by job every crew is tried in any case, so there crews need not yield.
    for source in JOB_RULES if not yielding else ():
        order = _job_order(problem, prepared, load, RULES[source])
        yield f"{source}, job by job", partial(run_staffed, prepared, order)


def _told_runs(
    problem: Problem, prepared: Prepared, load: _Load
) -> Iterator[tuple[str, Callable[[], Dates]]]:
    """Yield the passes that keep the announced crews, the one that moves least first."""
    crews = announced_crews(problem)
    shifted = partial(
        run_serial,
        prepared,
        _order(problem, prepared, load, RULES[RIGHT_SHIFT]),
        crew_choice=crews,
        right_shift=True,
    )
    yield RIGHT_SHIFT, shifted
    yield ANNOUNCED_STARTS, partial(shifted, in_turn=False)
    order = _order(problem, prepared, load, RULES[ANNOUNCED_ORDER])
    yield ANNOUNCED_ORDER, partial(run_serial, prepared, order, crew_choice=crews)


def _order(problem: Problem, prepared: Prepared, load: _Load, rule: Rule) -> list[int]:
    keys = [rule(problem, load, i) for i in range(prepared.size)]
    return sorted(prepared.topological, key=keys.__getitem__)


def _job_order(problem: Problem, prepared: Prepared, load: _Load, rule: Rule) -> list[int]:
    """Return the activities job by job, a job where the rule puts the first of it."""
    first = [
        min((rule(problem, load, i) for i in members), default=())
        for members in prepared.members_by_job
    ]
    jobs = sorted(range(len(first)), key=first.__getitem__)
    return [i for job in jobs for i in prepared.members_by_job[job]]


def greedy(problem: Problem) -> Candidate:
    """Return the cheapest candidate; of equals the one that moves least, hence the first."""
    return min(candidates(problem), key=lambda candidate: candidate.objective.total)


def announced_crews(problem: Problem) -> Mapping[int, int]:
    """Return the crew that people have been told, by activity."""
    return {
        i: activity.announced.crew
        for i, activity in enumerate(problem.activities)
        if activity.announced and activity.announced.crew is not None
    }


def _load(problem: Problem, prepared: Prepared) -> _Load:
    now = problem.now
    own = [
        min((m.work * prepared.axis_slots / max(m.total, 1) for m in modes), default=0.0)
        for modes in prepared.modes
    ]
    tail = list(own)
    for i in reversed(prepared.topological):
        for before, _, table, _ in prepared.leaders[i]:
            wait = 0 if table is None else min(table[now], prepared.axis_slots) - now
            tail[before] = max(tail[before], own[before] + wait + tail[i])
    work = [0.0] * len(problem.jobs)
    release = [prepared.axis_slots] * len(problem.jobs)
    for i, job in enumerate(prepared.job):
        work[job] += own[i]
        release[job] = min(release[job], prepared.earliest[i])
    busy = [amount for amount in work if amount > 0]
    average = sum(busy) / len(busy) if busy else 1.0
    return _Load(tuple(tail), tuple(work), tuple(release), average)


def _due(problem: Problem, i: int) -> float:
    due = problem.jobs[problem.activities[i].job].due
    return inf if due is None else due


def _weight(problem: Problem, i: int) -> float:
    return max(problem.jobs[problem.activities[i].job].weight, 1e-6)


def _told(problem: Problem, load: _Load, i: int) -> _Key:
    told = problem.activities[i].announced
    return (inf if told is None else told.start, _due(problem, i), problem.activities[i].job)


def _due_date(problem: Problem, load: _Load, i: int) -> _Key:
    return (_due(problem, i), problem.activities[i].job)


def _slack_per_weight(problem: Problem, load: _Load, i: int) -> _Key:
    slack = _due(problem, i) - problem.now - load.tail[i]
    weight = _weight(problem, i)
    return (slack / weight if slack > 0 else slack * weight,)


def _weighted_due(problem: Problem, load: _Load, i: int) -> _Key:
    return ((_due(problem, i) - problem.now) / _weight(problem, i), problem.activities[i].job)


def _apparent_tardiness_cost(problem: Problem, load: _Load, i: int) -> _Key:
    work = max(load.work_by_job[problem.activities[i].job], 1.0)
    slack = max(0.0, _due(problem, i) - problem.now - load.tail[i])
    urgency = exp(-slack / (ATC_LOOK_AHEAD * load.average_work))
    return (-_weight(problem, i) / work * urgency, _due(problem, i), problem.activities[i].job)


def _weighted_work(problem: Problem, load: _Load, i: int) -> _Key:
    job = problem.activities[i].job
    return (load.work_by_job[job] / _weight(problem, i), job)


def _first_released(problem: Problem, load: _Load, i: int) -> _Key:
    job = problem.activities[i].job
    return (load.release_by_job[job], job)


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

JOB_RULES = ("slack by weight", "due date")
"""The rules that also go job by job; each trial of crews takes as long as all other passes."""
