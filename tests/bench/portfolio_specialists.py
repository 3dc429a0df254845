"""A synthetic portfolio of specialist crews: ten phases in a row, each done by one kind of crew.

Everything lies on whole half-days, so that a general solver can be given the very same problem in
few steps. Hours, lags and promises are invented; every seed draws parameters of its own.
"""

from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from random import Random

from contractor.engine.problem import Activity, Job, Link, Mode, Problem, Resource, Wait
from contractor.engine.worktime import SLOT_MINUTES, SLOTS_PER_DAY, Axis, always_open

ORIGIN = datetime(2026, 3, 2, tzinfo=UTC)
HALF_DAY = SLOTS_PER_DAY // 2
PHASES_PER_JOB = 10
KINDS = 6
LOAD = 0.92
"""Share of the time between releases in which the busiest kind of crew works."""

RELEASE_SPREAD_JOBS = 20
"""Jobs come evenly, each late by up to the time in which so many are sold."""


@dataclass(frozen=True, slots=True)
class _Template:
    """What all jobs of one portfolio share, by phase, and its own tightness. Times in half-days.

    `lag` is what follows the phase: a cure, an inspection's notice, or nothing.
    `slack` is how long after its release a job is promised, in times its shortest duration.
    """

    kind: tuple[int, ...]
    least: tuple[int, ...]
    most: tuple[int, ...]
    lag: tuple[tuple[int, int], ...]
    slack: tuple[float, float]


@dataclass(frozen=True, slots=True)
class SpecialistJob:
    """One job in half-days: phase durations, the lag behind each phase, release and promise."""

    durations: tuple[int, ...]
    lags: tuple[int, ...]
    release: int
    due: int
    weight: int

    @property
    def shortest(self) -> int:
        """Return how long the job takes where no crew is ever busy."""
        return sum(self.durations) + sum(self.lags[:-1])


@dataclass(frozen=True, slots=True)
class Specialists:
    """A portfolio in half-days: the crew kind of each phase, crews of each kind, and jobs."""

    kind: tuple[int, ...]
    capacity: tuple[int, ...]
    jobs: tuple[SpecialistJob, ...]

    def work(self, kind: int) -> int:
        """Return the half-days of work for all crews of `kind` together."""
        return sum(
            duration
            for job in self.jobs
            for k, duration in zip(self.kind, job.durations, strict=True)
            if k == kind
        )

    def busiest_load(self) -> float:
        """Return the work of the busiest kind by crew, over the time in which jobs are released."""
        per_crew = max(self.work(kind) / crews for kind, crews in enumerate(self.capacity))
        return per_crew / max(1, self.jobs[-1].release - self.jobs[0].release)


def specialists(*, jobs: int, crews: int, seed: int = 7) -> Specialists:
    """Return a portfolio of `jobs` jobs for `crews` crews in all, the same for the same seed.

    There are six kinds of crew, or as many as there are crews; further crews go, one by one, to
    the kind with most work for each of its crews.
    """
    random = Random(seed)
    template = _template(random, kinds=min(KINDS, crews))
    drawn = [_durations(random, template) for _ in range(jobs)]
    work = [0] * min(KINDS, crews)
    for durations in drawn:
        for kind, duration in zip(template.kind, durations, strict=True):
            work[kind] += duration
    capacity = _crews_by_kind(work, crews)
    per_crew = max(load / n for load, n in zip(work, capacity, strict=True))
    turns = sorted(number + random.uniform(0, RELEASE_SPREAD_JOBS) for number in range(jobs))
    span = turns[-1] - turns[0] or 1.0
    released = [round((turn - turns[0]) / span * per_crew / LOAD) for turn in turns]
    return Specialists(
        template.kind,
        capacity,
        tuple(
            _job(random, template, durations, release)
            for durations, release in zip(drawn, released, strict=True)
        ),
    )


def specialist_problem(portfolio: Specialists) -> Problem:
    """Return `portfolio` as a problem of the engine, a half-day being 48 slots of an open axis."""
    longest_lag = max(max(job.lags) for job in portfolio.jobs)
    axis = Axis(ORIGIN, _half_days_enough(portfolio) * HALF_DAY)
    activities: list[Activity] = []
    links: list[Link] = []
    for number, job in enumerate(portfolio.jobs):
        first = len(activities)
        for phase, (kind, duration) in enumerate(zip(portfolio.kind, job.durations, strict=True)):
            activities.append(
                Activity(
                    key=f"{number}:{phase}",
                    job=number,
                    modes=(Mode(kind, duration * HALF_DAY, 0),),
                    release=job.release * HALF_DAY,
                )
            )
        for (before, after), lag in zip(
            pairwise(range(first, first + PHASES_PER_JOB)), job.lags[:-1], strict=True
        ):
            links.append(Link(before, after, wait=lag))
    return Problem(
        axis=axis,
        now=0,
        calendars=(always_open("open", axis),),
        resources=tuple(
            Resource(f"kind-{kind}", f"Crews of kind {kind + 1}", capacity=crews)
            for kind, crews in enumerate(portfolio.capacity)
        ),
        activities=tuple(activities),
        links=tuple(links),
        waits=tuple(
            Wait.lag(f"{lag} half-days", axis, lag * HALF_DAY * SLOT_MINUTES)
            for lag in range(longest_lag + 1)
        ),
        jobs=tuple(
            Job(f"job-{number}", job.due * HALF_DAY, weight=float(job.weight))
            for number, job in enumerate(portfolio.jobs)
        ),
    )


def _template(random: Random, *, kinds: int) -> _Template:
    """Draw the phases: every kind of crew at least once, no kind twice in a row where it can."""
    kind = list(range(kinds))
    while len(kind) < PHASES_PER_JOB:
        kind.append(random.randrange(kinds))
    random.shuffle(kind)
    least = [random.choice((1, 1, 2)) for _ in kind]
    cures = random.sample(range(PHASES_PER_JOB - 1), k=4)
    lag = [(0, 0)] * PHASES_PER_JOB
    for place, bounds in zip(cures, ((4, 6), (6, 10), (1, 4), (1, 3)), strict=True):
        lag[place] = bounds
    tightest = random.uniform(1.0, 1.2)
    return _Template(
        kind=tuple(kind),
        least=tuple(least),
        most=tuple(low + random.choice((2, 3, 4)) for low in least),
        lag=tuple(lag),
        slack=(tightest, tightest + random.uniform(0.4, 0.8)),
    )


def _durations(random: Random, template: _Template) -> tuple[int, ...]:
    return tuple(
        random.randint(low, high) for low, high in zip(template.least, template.most, strict=True)
    )


def _crews_by_kind(work: list[int], crews: int) -> tuple[int, ...]:
    capacity = [1] * len(work)
    for _ in range(crews - len(work)):
        neediest = max(range(len(work)), key=lambda kind: work[kind] / capacity[kind])
        capacity[neediest] += 1
    return tuple(capacity)


def _job(
    random: Random, template: _Template, durations: tuple[int, ...], release: int
) -> SpecialistJob:
    """Draw lags and promise; the promise ends with a whole day."""
    lags = tuple(random.randint(low, high) for low, high in template.lag)
    shortest = sum(durations) + sum(lags[:-1])
    promised = release + round(shortest * random.uniform(*template.slack))
    return SpecialistJob(
        durations=durations,
        lags=lags,
        release=release,
        due=promised + promised % 2,
        weight=random.randint(1, 5),
    )


def _half_days_enough(portfolio: Specialists) -> int:
    """Return an axis on which even a plan that leaves many gaps ends."""
    busiest = max(portfolio.work(k) / crews for k, crews in enumerate(portfolio.capacity))
    longest = max(job.shortest for job in portfolio.jobs)
    return round(portfolio.jobs[-1].release + busiest + 10 * longest)
