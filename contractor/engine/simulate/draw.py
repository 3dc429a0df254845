"""One run's luck: how long work takes, what comes late, which days are lost."""

from dataclasses import dataclass

import numpy as np

from contractor.engine.compiled import Flags, Floats, Ints, PointerTable, by_pointer, kernel
from contractor.engine.simulate.course import MOST_REPEATS, Course
from contractor.engine.simulate.random_numbers import Luck, luck_of, named, normal, uniform

__all__ = ["Drawn", "draw", "draw_days", "new_drawn"]

_WORK, _JOB, _CREW = int(Luck.WORK), int(Luck.JOB), int(Luck.CREW)
_LATE, _HOW_LATE, _VISIT = int(Luck.LATE), int(Luck.HOW_LATE), int(Luck.VISIT)
_WEATHER, _SHARED = int(Luck.WEATHER), int(Luck.SHARED_WEATHER)
_SHORT, _TEMPERATURE = int(Luck.SHORT_HANDED), int(Luck.TEMPERATURE)
_NO_KEY = np.uint64(0)


@by_pointer
@dataclass(frozen=True, eq=False)
class Drawn(PointerTable):
    """
    `work`, `released` (the first slot) and `repeats` by activity; of the repeats of a visit bit k
    of `reworks` says that the k-th needs rework. `lost[(area * gates + gate) * days + day]` and
    `short[crew * days + day]` are 1 on days without work, or with too few people. `warmth` is the
    variant of the waits by stretch of the axis, `shared` each day's weather that areas share.
    """

    work: Ints
    released: Ints
    repeats: Ints
    reworks: Ints
    lost: Flags
    short: Flags
    warmth: Ints
    shared: Floats
    job_luck: Floats
    crew_luck: Floats


def new_drawn(course: Course) -> Drawn:
    """Return the arrays for the luck of one run."""

    def ints(count: int) -> Ints:
        return np.zeros(count, dtype=np.int32)

    return Drawn(
        work=ints(course.size),
        released=ints(course.size),
        repeats=ints(course.size),
        reworks=ints(course.size),
        lost=np.zeros(max(course.areas * course.gates * course.days, 1), dtype=np.uint8),
        short=np.zeros(max(course.resources * course.days, 1), dtype=np.uint8),
        warmth=ints(course.temperatures),
        shared=np.zeros(course.days),
        job_luck=np.zeros(max(course.jobs, 1)),
        crew_luck=np.zeros(max(course.resources, 1)),
    )


@kernel
def draw(course: Course, drawn: Drawn, seed: int, run: int) -> None:
    """Fill `drawn` with the luck of a run."""
    draw_days(course, drawn, seed, run, course.days)


@kernel
def draw_days(course: Course, drawn: Drawn, seed: int, run: int, days: int) -> None:
    """Fill `drawn` with the luck of a run; of days, only with that of the first `days`."""
    luck = luck_of(seed, run)
    for j in range(course.jobs):
        drawn.job_luck[j] = normal(named(luck, _JOB, course.job_key[j]), 0)
    for r in range(course.resources):
        drawn.crew_luck[r] = normal(named(luck, _CREW, course.crew_key[r]), 0)
    for i in range(course.size):
        _draw_activity(course, drawn, luck, i)
    name = named(luck, _TEMPERATURE, _NO_KEY)
    for k in range(course.temperatures if course.variants else 0):
        part = uniform(name, k)
        drawn.warmth[k] = min(int(part * course.variants), course.variants - 1)
    _draw_weather(course, drawn, luck, days)
    _draw_people(course, drawn, luck, days)


@kernel
def _draw_activity(course: Course, drawn: Drawn, luck: np.uint64, i: int) -> None:
    key = course.activity_key[i]
    drawn.work[i] = course.work[i]
    if course.work[i] > 0 and (course.log_sd[i] > 0 or course.log_mean[i] != 0):
        deviation = course.shares[0] * drawn.job_luck[course.job[i]]
        name = named(luck, _WORK, key)
        deviation += course.shares[2] * normal(name, 0)
        if course.crew[i] >= 0:
            deviation += course.shares[1] * drawn.crew_luck[course.crew[i]]
        else:
            deviation += course.shares[1] * normal(name, 1)
        factor = np.exp(course.log_mean[i] + course.log_sd[i] * deviation)
        drawn.work[i] = max(1, int(course.work[i] * factor + 0.5))
    drawn.released[i] = course.not_before[i]
    late_chance = course.late_chance[i]
    if late_chance > 0 and uniform(named(luck, _LATE, key), 0) < late_chance:
        late = -course.late_slots[i] * np.log(uniform(named(luck, _HOW_LATE, key), 0))
        released = max(course.not_before[i], course.promised[i] + int(late))
        drawn.released[i] = min(course.axis_slots, released)
    drawn.repeats[i] = 0
    drawn.reworks[i] = 0
    absent, fails = course.absent_chance[i], course.fail_chance[i]
    if absent + fails > 0:
        name = named(luck, _VISIT, key)
        while drawn.repeats[i] < MOST_REPEATS:
            part = uniform(name, drawn.repeats[i])
            if part >= absent + fails:
                break
            if part >= absent:
                drawn.reworks[i] |= 1 << drawn.repeats[i]
            drawn.repeats[i] += 1


@kernel
def _draw_weather(course: Course, drawn: Drawn, luck: np.uint64, days: int) -> None:
    """Draw each area's days as a series in which every day is a little like the one before."""
    if course.gates == 0:
        return
    persistence, shared = course.likeness[0], course.likeness[1]
    fresh = np.sqrt(1 - persistence * persistence)
    common, own = np.sqrt(shared), np.sqrt(1 - shared)
    drawn.lost[:] = 0
    name = named(luck, _SHARED, _NO_KEY)
    for day in range(days):
        drawn.shared[day] = common * normal(name, day)
    for area in range(course.areas):
        name = named(luck, _WEATHER, np.uint64(area))
        weather = 0.0
        for day in range(days):
            news = drawn.shared[day]
            if own > 0:
                news += own * normal(name, day)
            weather = news if day == 0 else persistence * weather + fresh * news
            for gate in range(course.gates):
                row = (area * course.gates + gate) * course.days
                if weather > course.lost_above[gate * course.days + day]:
                    drawn.lost[row + day] = 1
                if weather > course.mud_above[gate * course.days + day]:
                    for after in range(day + 1, min(day + 1 + course.mud_days[gate], course.days)):
                        drawn.lost[row + after] = 1


@kernel
def _draw_people(course: Course, drawn: Drawn, luck: np.uint64, days: int) -> None:
    for r in range(course.resources):
        chance, row = course.short_chance[r], r * course.days
        name = named(luck, _SHORT, course.crew_key[r])
        for day in range(days if chance > 0 else 0):
            drawn.short[row + day] = uniform(name, day) < chance
