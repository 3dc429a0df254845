"""Improve a plan part by part: free what lies near a dear job, and ask the solver for its best.

Large-neighbourhood search (Shaw 1998, CP 98, LNCS 1520; from memory). All other work stays where it
is, so a part has few places to choose from, however large the plan. It grows while the solver gets
to the end of it in time and shrinks where it does not.
"""

from collections.abc import Callable
from math import gcd
from random import Random

from contractor.engine.exact import NO_MODE, Incumbent, finish
from contractor.engine.exact_places import Reach
from contractor.engine.objective import days_late
from contractor.engine.prepared import OPEN, prepare
from contractor.engine.prices import PRICE_FINISH_DAY, PRICE_LATE_DAY
from contractor.engine.problem import Problem
from contractor.engine.worktime import SLOTS_PER_DAY

__all__ = ["improve_parts", "share_of"]

# Our own choice, by trial on drawn portfolios.
FIRST_SIZE = 80
LEAST_SIZE, MOST_SIZE = 30, 240
"""Activities freed at once."""
GROWTH, SHRINKING = 1.1, 0.85
EFFORT_EACH = 0.05
SECONDS_EACH, MOST_SECONDS_EACH = 0.4, 2.0
"""The solver's effort for a part, what it about comes to on a free processor, and at most."""
MOST_SHARE = 0.6
SWEEPS = 4
LEAST_SECONDS = 1.0
"""Parts have so much of the seconds as allows each activity some turns, but no larger a share."""
REACH_DAYS = 30
MOST_STARTS_EACH = 300
"""How far a start may move from where it is: so far, but by no more starts on the calendar that
works least than these. Wider steps instead were of no use where lengths have little in common."""
NEAR_DAYS = 5
"""What begins within so many days of an activity, on a crew or machine of it, lies near it."""
SHARE_REST_ONLY = 0.3
"""Only what begins from some moment of the first job on is freed, of all jobs of the part."""
SHARE_ANY_JOB = 0.15
"""The first job is drawn by lot, else by what it costs beyond the least."""


def share_of(problem: Problem, seconds: float) -> float:
    """Return which share of `seconds` is best left for parts, after another search.

    The larger the problem, the later parts alone gain more than steps that cost next to nothing.
    None is left where it would not be worth loading the solver.
    """
    ways = sum(len(activity.modes) for activity in problem.activities)
    enough = SWEEPS * SECONDS_EACH * max(ways, 1) / FIRST_SIZE
    share = MOST_SHARE * min(1.0, seconds / enough)
    return share if share * seconds >= LEAST_SECONDS else 0.0


def improve_parts(
    problem: Problem,
    incumbent: Incumbent,
    *,
    left: Callable[[], float],
    seed: int = 0,
    cancelled: Callable[[], bool] | None = None,
    progress: Callable[[float], None] | None = None,
) -> Incumbent:
    """Return the best dates found until no seconds are `left`; `progress` gets each total.

    What has no place stays without. Raises ValueError where the incumbent breaks a rule.
    """
    dice = Random(seed)
    parts = _Parts(problem, incumbent)
    size = float(FIRST_SIZE)
    best, tried = incumbent, 0
    while parts.any and (seconds := left()) > 0 and not (cancelled and cancelled()):
        free = parts.draw(best, round(size), dice)
        answer = finish(
            problem,
            best,
            free=free,
            reach=parts.reach(free),
            seconds=min(seconds, MOST_SECONDS_EACH),
            effort=EFFORT_EACH,
            seed=seed + tried,
            cancelled=cancelled,
        )
        tried += 1
        ended = answer.status in ("OPTIMAL", "FIXED")
        size = min(max(size * (GROWTH if ended else SHRINKING), LEAST_SIZE), MOST_SIZE)
        if answer.total < best.total:
            best = Incumbent(answer.modes, answer.starts, answer.finishes, answer.total)
        if progress is not None:
            progress(best.total)
    return best


class _Parts:
    """Draws parts of a problem: the jobs that lie near one that costs much."""

    def __init__(self, problem: Problem, plan: Incumbent) -> None:
        self._problem = problem
        self._members: list[list[int]] = [[] for _ in problem.jobs]
        self._users: list[list[int]] = [[] for _ in problem.resources]
        rank = prepare(problem).rank.tolist()
        for i, activity in enumerate(problem.activities):
            # Pins, the freeze and what must come before them stay, as in ruin and recreate.
            if plan.modes[i] != NO_MODE and rank[i] == OPEN:
                self._members[activity.job].append(i)
                for mode in activity.modes:
                    for resource in {mode.crew, *mode.machines} - {None}:
                        assert resource is not None
                        if not self._users[resource] or self._users[resource][-1] != i:
                            self._users[resource].append(i)
        self._jobs = [j for j, members in enumerate(self._members) if members]

    @property
    def any(self) -> bool:
        """Return whether there is anything to move."""
        return bool(self._jobs)

    def draw(self, plan: Incumbent, size: int, dice: Random) -> list[int]:
        """Return about `size` activities, of one job and of others that lie near it."""
        first = self._first_job(plan, dice)
        since = 0
        if dice.random() < SHARE_REST_ONLY:
            since = plan.starts[dice.choice(self._members[first])] - NEAR_DAYS * SLOTS_PER_DAY
        free: list[int] = []
        for job in [first, *self._near(first, since, plan, dice)]:
            free += [i for i in self._members[job] if plan.starts[i] >= since]
            if len(free) >= size:
                break
        return free

    def reach(self, free: list[int]) -> Reach:
        """Return how far the activities in `free` may move, by steps that all lengths share."""
        modes = [mode for i in free for mode in self._problem.activities[i].modes]
        unit = max(1, gcd(*(mode.work_slots for mode in modes)))
        works = min(self._problem.calendars[mode.calendar].total for mode in modes)
        slots = REACH_DAYS * SLOTS_PER_DAY
        starts = 2 * slots * works / (self._problem.axis.slots * unit)
        return Reach(round(slots * min(1.0, MOST_STARTS_EACH / max(starts, 1.0))), unit)

    def _first_job(self, plan: Incumbent, dice: Random) -> int:
        if dice.random() < SHARE_ANY_JOB:
            return dice.choice(self._jobs)
        return dice.choices(self._jobs, [self._price(j, plan) for j in self._jobs])[0]

    def _price(self, j: int, plan: Incumbent) -> float:
        job = self._problem.jobs[j]
        members = self._members[j]
        end = max(plan.finishes[i] for i in members)
        stands = end - min(plan.starts[i] for i in members)
        late = 0 if job.due is None else days_late(job.due, end)
        price = PRICE_LATE_DAY * job.weight * late + PRICE_FINISH_DAY * (stands / SLOTS_PER_DAY)
        return max(price, PRICE_FINISH_DAY)

    def _near(self, first: int, since: int, plan: Incumbent, dice: Random) -> list[int]:
        """Return other jobs, roughly those first with which `first` meets most often."""
        meets: dict[int, int] = {}
        near = NEAR_DAYS * SLOTS_PER_DAY
        for i in self._members[first]:
            if plan.starts[i] < since:
                continue
            mode = self._problem.activities[i].modes[plan.modes[i]]
            for resource in {mode.crew, *mode.machines} - {None}:
                assert resource is not None
                for other in self._users[resource]:
                    job = self._problem.activities[other].job
                    if job != first and abs(plan.starts[other] - plan.starts[i]) <= near:
                        meets[job] = meets.get(job, 0) + 1
        return sorted(meets, key=lambda job: -meets[job] * dice.random())
