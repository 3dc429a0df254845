"""The exact finish: the best dates of what is free, by CP-SAT, and a proof where it gets there.

The same function finishes a small problem whole and improves a few jobs of a large one, with all
other work standing. The plan at hand stays outside the solver, so no answer is worse than it.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

from contractor.engine.exact_places import (
    Choices,
    Part,
    Place,
    Reach,
    Taken,
    cut_by_cost,
    cut_by_links,
    first_places,
    one_place,
)
from contractor.engine.objective import Objective, objective
from contractor.engine.prices import (
    PRICE_EXTRA_CREW,
    PRICE_FINISH_DAY,
    PRICE_LATE_DAY,
    PRICE_MOVED_DAY,
    PRICE_OPEN_DAY,
    PRICE_OVERLONG_DAY,
)
from contractor.engine.problem import Activity, Link, Problem
from contractor.engine.schedule import Because, Bind, BrokenPin, Placed, Schedule
from contractor.engine.worktime import SLOTS_PER_DAY

__all__ = ["NO_MODE", "ExactResult", "Incumbent", "finish", "worth_it"]

NO_MODE = -1
"""The mode of an activity that has no place."""

MOST_FREE = 40
MOST_STARTS = 500_000
"""Free activities, and their starts in all modes, up to which the solver helps within seconds."""

_LARGEST_SCALE = 10**6


@dataclass(frozen=True, slots=True)
class Incumbent:
    """The plan to be improved: by activity its mode (-1: no place), start and finish in slots."""

    modes: Sequence[int]
    starts: Sequence[int]
    finishes: Sequence[int]
    total: float


@dataclass(frozen=True, slots=True)
class ExactResult:
    """Dates that cost no more than the incumbent's.

    `bound`: with all that is not free where it stands, no dates cost less. `proven`: these cost
    the least. `status` is the solver's word, FIXED where nothing could move.
    """

    modes: list[int]
    starts: list[int]
    finishes: list[int]
    total: float
    bound: float
    proven: bool
    status: str


def finish(
    problem: Problem,
    incumbent: Incumbent,
    *,
    free: Collection[int] | None = None,
    reach: Reach | None = None,
    seconds: float,
    effort: float | None = None,
    workers: int = 1,
    seed: int = 0,
    cancelled: Callable[[], bool] | None = None,
) -> ExactResult:
    """Return the best dates found within `seconds` for the activities in `free` (None: all).

    `effort` ends it sooner, counted by the solver itself and so alike on any computer.
    With `reach` they stay near where they are, which says nothing of what lies beyond.
    Work under way and what has no place stay as they are. The time to set up the model counts.
    One worker with the same seed gives the same dates where it comes to its end in time.
    Raises ValueError where the incumbent breaks a rule.
    """
    now = {
        i: (mode, incumbent.starts[i], incumbent.finishes[i])
        for i, mode in enumerate(incumbent.modes)
        if mode != NO_MODE
    }
    moving = _moving(problem, now, free)
    if not moving:
        return _result(problem, now, incumbent.total, incumbent.total, free is not None, "FIXED")
    # Loading the solver takes longer than most of its answers; who never asks never waits.
    from contractor.engine.exact_solve import Limits, solve_part

    part = _part(problem, now, moving, reach)
    scale, whole_units = _scale(problem)
    answer = solve_part(part, scale, Limits(seconds, effort, workers, seed, cancelled))
    proven = answer.proven and whole_units and reach is None
    proven = proven and (free is not None or _all_is_open(problem, now))
    bound = incumbent.total - answer.most_gain / scale
    if answer.gain > 0:
        found = now | answer.places
        total = _objective_of(problem, found).total
        if total < incumbent.total:
            return _result(problem, found, total, min(bound, total), proven, answer.status)
    same = answer.gain <= 0
    total = incumbent.total
    return _result(problem, now, total, min(bound, total), proven and same, answer.status)


def worth_it(problem: Problem, free: Collection[int] | None = None) -> bool:
    """Return whether so few activities, modes and starts are free that an exact answer is near."""
    calendars = problem.calendars
    rows = range(len(problem.activities)) if free is None else free
    starts = sum(
        calendars[mode.calendar].total - calendars[mode.calendar].before[problem.now]
        for i in rows
        for mode in problem.activities[i].modes
    )
    return len(rows) <= MOST_FREE and starts <= MOST_STARTS


def _moving(
    problem: Problem, now: dict[int, Place], free: Collection[int] | None
) -> frozenset[int]:
    """Return the free activities that may move; the others stay where they are, or without place.

    Work under way goes on at once, so it does not move.
    """
    rows = now if free is None else now.keys() & set(free)
    return frozenset(i for i in rows if not problem.activities[i].under_way)


def _part(
    problem: Problem, now: dict[int, Place], moving: frozenset[int], reach: Reach | None
) -> Part:
    """Return what has to be known to judge moves of `moving`.

    That is all of their jobs, and who leads or follows them in others; the rest is in the way.
    """
    jobs = {problem.activities[i].job for i in moving}
    known = {i for i in now if problem.activities[i].job in jobs}
    for link in problem.links:
        if link.before in moving or link.after in moving:
            known |= {i for i in (link.before, link.after) if i in now}
    links = _links_by_leaders(problem, known)
    places = {i: now[i] for i in sorted(known)}
    stays = [
        (problem.activities[i].modes[mode], start, end)
        for i, (mode, start, end) in now.items()
        if i not in moving
    ]
    taken = Taken(problem, stays)
    choices: Choices = {
        i: first_places(problem, i, taken, reach, place[1]) if i in moving else [one_place(place)]
        for i, place in places.items()
    }
    _require_sound(problem, choices, places)
    holding = [link for link in links if not problem.activities[link.after].under_way]
    priced = _objective_of(problem, places)
    cut_by_links(problem, choices, holding)
    _require_sound(problem, choices, places)
    cut_by_cost(problem, choices, jobs, places, _price_of_sites(priced))
    cut_by_links(problem, choices, holding)
    return Part(problem, choices, places, moving, tuple(sorted(jobs)), tuple(holding), taken)


def _links_by_leaders(problem: Problem, known: set[int]) -> list[Link]:
    """Return the links among what is `known`, those into an activity before those out of it."""
    missing = dict.fromkeys(sorted(known), 0)
    out: dict[int, list[Link]] = {i: [] for i in missing}
    for link in problem.links:
        if link.before in known and link.after in known:
            missing[link.after] += 1
            out[link.before].append(link)
    ready = [i for i, count in missing.items() if count == 0]
    links: list[Link] = []
    for i in ready:
        for link in out[i]:
            missing[link.after] -= 1
            if missing[link.after] == 0:
                ready.append(link.after)
        links += out[i]
    return links


def _require_sound(problem: Problem, choices: Choices, places: dict[int, Place]) -> None:
    """Refuse an incumbent that is not among the places that the rules leave."""
    for i, (mode, start, end) in places.items():
        if not any(
            row.mode == mode and bool(((row.start == start) & (row.finish == end)).any())
            for row in choices[i]
        ):
            raise ValueError(
                f"incumbent: activity {problem.activities[i].key!r} in mode {mode} from {start} "
                f"to {end} breaks a rule of the problem; start from a plan that `check` passes"
            )


def _price_of_sites(priced: Objective) -> float:
    return (
        PRICE_OPEN_DAY * priced.open_days
        + PRICE_EXTRA_CREW * priced.extra_crews
        + PRICE_OVERLONG_DAY * priced.overlong_days
        + priced.visits_priced
    )


def _scale(problem: Problem) -> tuple[int, bool]:
    """Return how many units one of the objective has for the solver, and whether all are whole."""
    prices = [PRICE_FINISH_DAY / SLOTS_PER_DAY]
    prices += [PRICE_LATE_DAY * job.weight for job in problem.jobs if job.due is not None]
    prices += [job.visit_price for job in problem.jobs]
    prices += [
        PRICE_MOVED_DAY * row.announced.weight for row in problem.activities if row.announced
    ]
    scale = SLOTS_PER_DAY
    while scale <= SLOTS_PER_DAY * _LARGEST_SCALE:
        if all(abs(price * scale - round(price * scale)) < 1e-6 for price in prices):
            return scale, True
        scale *= 10
    return SLOTS_PER_DAY * 1000, False


def _all_is_open(problem: Problem, now: dict[int, Place]) -> bool:
    """Return whether what stays has no other way: a proof of the rest then holds for all."""
    for i, activity in enumerate(problem.activities):
        if i in now and activity.under_way:
            rows = first_places(problem, i, Taken(problem, ()))
            if len(activity.modes) > 1 or int(rows[0].start[0]) != now[i][1]:
                return False
        if i not in now and activity.modes and not _waits(problem, i, now):
            return False
    return True


def _waits(problem: Problem, i: int, now: dict[int, Place]) -> bool:
    """Return whether `i` has no place because a leader has none."""
    leaders = (link.before for link in problem.links if link.after == i)
    return not problem.activities[i].under_way and any(before not in now for before in leaders)


def _objective_of(problem: Problem, places: dict[int, Place]) -> Objective:
    """Return the cost of bare places, as of a plan that has nothing else."""
    placed: list[Placed | None] = [None] * len(problem.activities)
    because = Because(Bind.NOW, None, None, problem.now, "exact finish")
    broken = []
    for i, (mode, start, end) in places.items():
        placed[i] = Placed(i, mode, start, end, because, (because,))
        activity = problem.activities[i]
        if activity.pin and not activity.under_way and not _keeps_pin(activity, mode, start):
            broken.append(BrokenPin(i, "exact finish", None))
    return objective(problem, Schedule(tuple(placed), (), tuple(broken)))


def _keeps_pin(activity: Activity, mode: int, start: int) -> bool:
    pin = activity.pin
    return pin is None or (start == pin.start and pin.crew in (None, activity.modes[mode].crew))


def _result(
    problem: Problem,
    places: dict[int, Place],
    total: float,
    bound: float,
    proven: bool,
    status: str,
) -> ExactResult:
    rows = [places.get(i, (NO_MODE, 0, 0)) for i in range(len(problem.activities))]
    return ExactResult(
        [row[0] for row in rows],
        [row[1] for row in rows],
        [row[2] for row in rows],
        total,
        bound,
        proven,
        status,
    )
