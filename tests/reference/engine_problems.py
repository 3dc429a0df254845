"""Random small planning problems, and what their rules allow and cost, worked out once more.

Nothing here uses the decoder, the check or the objective of the engine: working time is counted on
the rows of the calendars, and prices are those printed in docs/planning.md. The tests beside this
file use it as the second opinion.
"""

from bisect import bisect_left
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time
from functools import lru_cache
from itertools import pairwise
from random import Random
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from contractor.engine.problem import (
    Activity,
    Announced,
    Job,
    Link,
    Mode,
    Pin,
    Problem,
    Resource,
    Wait,
    Window,
)
from contractor.engine.schedule import Because, Bind, BrokenPin, Placed, Schedule
from contractor.engine.worktime import Axis, WorkCalendar, weekly_calendar

DAY = 96
SLOTS = 42 * DAY
ZONE = ZoneInfo("America/Chicago")
CREWS = 3
MACHINE = 3
FIVE_DAYS, FOUR_DAYS, WEEKDAYS = range(3)

# Prices as printed in docs/planning.md, section "The plan".
BROKEN_PIN, FROZEN_MOVE, LATE_DAY = 100_000, 20_000, 1_000
CREW_CHANGE, EXTRA_CREW, MOVED_DAY, OVERLONG_DAY, OPEN_DAY = 100, 30, 20, 10, 4
FROZEN_TOLERANCE = 16

FIRST_DAYS = (
    datetime(2026, 3, 5, tzinfo=ZONE),  # clocks go forward on 8 March
    datetime(2026, 10, 29, tzinfo=ZONE),  # and back on 1 November
    datetime(2026, 12, 21, tzinfo=ZONE),  # Christmas and the turn of the year
    datetime(2026, 6, 30, tzinfo=ZONE),
)
_HOLIDAYS = frozenset(
    {
        date(2026, 7, 3),
        date(2026, 11, 26),
        *(date(2026, 12, day) for day in range(24, 32)),
        date(2027, 1, 1),
    }
)
_FIVE = ((time(7), time(11, 30)), (time(12), time(15, 30)))
# By calendar: hours by weekday from Monday as 0, then the days on which nobody works.
WEEKLY_HOURS = (
    dict.fromkeys(range(5), _FIVE),
    dict.fromkeys(range(4), ((time(6, 30), time(17)),)),
    dict.fromkeys(range(5), ((time(8), time(16)),)),
)
CLOSED: tuple[frozenset[date], ...] = (_HOLIDAYS, _HOLIDAYS, frozenset())


class Place(NamedTuple):
    """Where an activity is: the index of its mode, start and exclusive finish in slots."""

    mode: int
    start: int
    finish: int


@lru_cache
def axis_and_calendars(first_day: datetime) -> tuple[Axis, tuple[WorkCalendar, ...]]:
    """Return an axis with five days and a lunch break, four long days, and plain weekdays."""
    axis = Axis(first_day.astimezone(UTC), SLOTS)
    rows = zip(("five days", "four days", "weekdays"), WEEKLY_HOURS, CLOSED, strict=True)
    return axis, tuple(
        weekly_calendar(key=key, axis=axis, zone=ZONE, weekly=weekly, closed=closed)
        for key, weekly, closed in rows
    )


def random_problem(seed: int) -> Problem:
    """Return the same problem for the same seed."""
    return draw_problem(Random(seed))


def draw_problem(random: Random) -> Problem:
    """Return up to three jobs with up to eight activities and a bit of everything in them."""
    axis, calendars = axis_and_calendars(random.choice(FIRST_DAYS))
    now = random.choice((28, 36, DAY))
    jobs = random.randrange(1, 4)
    crew_calendars = [random.choice((FIVE_DAYS, FOUR_DAYS)) for _ in range(CREWS)]
    activities: list[Activity] = []
    links: list[Link] = []
    for job in range(jobs):
        first = len(activities)
        for i in range(first, first + random.randrange(1, 8 // jobs + 1)):
            activities.append(_activity(random, i, job, crew_calendars, calendars))
            links += _links(random, first, i)
    if jobs > 1 and random.random() < 0.2:
        links.append(Link(0, len(activities) - 1))
    if random.random() < 0.25:
        activities[0] = _under_way(random, now, crew_calendars)
    return Problem(
        axis=axis,
        now=now,
        calendars=calendars,
        resources=(
            *(Resource(f"c{i}", f"Crew {i}", blocked=_blocked(random)) for i in range(CREWS)),
            Resource("m", "Machine", capacity=random.choice((1, 2)), blocked=_blocked(random)),
        ),
        activities=tuple(activities),
        links=tuple(links),
        waits=_waits(random, axis),
        jobs=tuple(_job(random, job, activities, now) for job in range(jobs)),
        freeze_until=random.choice((0, 0, 5 * DAY)),
        change_crew_slots=random.choice((0, 64, 5 * DAY)),
        float_slots=random.choice((0, 64)),
        visit_pause_slots=random.choice((DAY, 4 * DAY)),
        longest_pause_slots=random.choice((None, 4 * DAY)),
    )


def _activity(
    random: Random,
    i: int,
    job: int,
    crew_calendars: Sequence[int],
    calendars: Sequence[WorkCalendar],
) -> Activity:
    by_others = random.random() < 0.15
    if by_others:
        modes = (Mode(None, random.choice((4, 16, 32)), WEEKDAYS),)
    else:
        machines = random.choice(((), (), (), (MACHINE,)))
        modes = tuple(
            Mode(crew, random.choice((3, 8, 16, 30, 45, 70)), crew_calendars[crew], machines)
            for crew in random.sample(range(CREWS), random.choice((1, 2, 2, 3)))
        )

    def moment() -> tuple[int | None, int]:
        """Return a crew, mostly one that can do it, and mostly a slot in which it works."""
        mode = random.choice(modes)
        worked = np.flatnonzero(calendars[mode.calendar].working[: 12 * DAY]).tolist()
        crew = mode.crew if random.random() < 0.9 else random.choice((None, 0, 1, 2))
        return crew, random.choice(worked) if random.random() < 0.9 else random.randrange(8 * DAY)

    return Activity(
        f"a{i}",
        job,
        modes,
        release=random.choice((0, 0, 0, random.randrange(8 * DAY))),
        windows=_windows(random) if by_others or random.random() < 0.1 else (),
        pin=Pin(*moment()) if random.random() < 0.1 else None,
        announced=Announced(*moment(), random.choice((1.0, 0.3, 0.05)))
        if random.random() < 0.3
        else None,
    )


def _windows(random: Random) -> tuple[Window, ...]:
    """Return half a day here and there, and an open end, so that there always is a place."""
    days = random.sample(range(12), random.randrange(4))
    half_days = (Window(d * DAY + 56, d * DAY + random.choice((76, 92))) for d in days)
    return (*half_days, Window(12 * DAY, SLOTS)) if days else ()


def _under_way(random: Random, now: int, crew_calendars: Sequence[int]) -> Activity:
    crew = random.randrange(CREWS)
    mode = Mode(crew, random.choice((1, 10, 30)), crew_calendars[crew])
    told = Announced(crew, random.randrange(now))
    return Activity("a0", 0, (mode,), announced=told, under_way=True)


def _links(random: Random, first: int, i: int) -> Iterator[Link]:
    for before in range(first, i):
        if random.random() < (0.8 if before == i - 1 else 0.2):
            wait = random.choice((None, None, 0, 1, 2))
            longest = random.choice((None, None, None, None, DAY, 4 * DAY))
            yield Link(before, i, random.random() < 0.2, wait, longest_slots=longest)


def _waits(random: Random, axis: Axis) -> tuple[Wait, ...]:
    """Return a plain lag, a notice with a cut-off, and a cure that is shorter later on."""
    slot = np.arange(axis.slots + 1)
    cut_off, opens = 60, 52
    notice = (slot - cut_off + DAY - 1) // DAY * DAY + DAY + opens
    hours = 4 * random.randrange(10, 40)
    cure = np.maximum.accumulate(slot + np.maximum(hours - slot // 40, 8))
    return (
        Wait.lag("lag", axis, 15 * random.randrange(1, 2 * DAY)),
        Wait("notice", notice.astype(np.int32)),
        Wait("cure", cure.astype(np.int32)),
    )


def _blocked(random: Random) -> tuple[tuple[int, int], ...]:
    if random.random() < 0.7:
        return ()
    begins = random.randrange(9) * DAY + 40
    return ((begins, begins + random.choice((12, DAY, 3 * DAY))),)


def _job(random: Random, job: int, activities: Sequence[Activity], now: int) -> Job:
    told = [row.announced for row in activities if row.job == job and row.announced]
    return Job(
        f"j{job}",
        due=random.choice((None, random.randrange(1, 14) * DAY + 24)),
        weight=random.choice((0.5, 1.0, 2.0)),
        preferred_crew=random.choice((None, None, *range(CREWS))),
        # A job whose work should have begun counts as begun; here it is said outright.
        begun=any(row.start < now for row in told) or random.random() < 0.1,
        visit_price=random.choice((0.0, 0.0, 25.0)),
    )


def tiny_problem(seed: int) -> Problem:
    """Return two or three activities on so few slots that everything can be tried."""
    random = Random(seed)
    size = random.choice((2, 3))
    axis = Axis(FIRST_DAYS[0].astimezone(UTC), 8 * DAY)
    in_day = np.arange(axis.slots) % DAY
    worked = ((in_day >= 40) & (in_day < 42)) | ((in_day >= 60) & (in_day < 62 - size % 2))
    early = np.flatnonzero(worked[: 4 * DAY]).tolist()

    def crews() -> list[int]:
        return random.sample(range(2), 2 if size == 2 else random.choice((1, 1, 2)))

    def row(i: int) -> Activity:
        return Activity(
            f"a{i}",
            random.randrange(2),
            tuple(Mode(crew, random.randrange(1, 5), 0) for crew in crews()),
            release=random.choice((0, 0, DAY, 2 * DAY)),
            pin=Pin(random.choice((None, 0)), random.choice(early))
            if random.random() < 0.2
            else None,
            announced=Announced(random.choice((None, 0, 1)), random.choice(early), 0.3)
            if random.random() < 0.4
            else None,
        )

    return Problem(
        axis=axis,
        now=0,
        calendars=(WorkCalendar("few slots", worked),),
        resources=(Resource("c0", "Crew 0"), Resource("c1", "Crew 1", blocked=_blocked(random))),
        activities=tuple(row(i) for i in range(size)),
        links=tuple(
            Link(i, i + 1, start_to_start=random.random() < 0.3, wait=random.choice((None, 0)))
            for i in range(size - 1)
            if random.random() < 0.6
        ),
        waits=(Wait.lag("lag", axis, 15 * random.randrange(1, DAY)),),
        jobs=tuple(
            Job(
                f"j{j}",
                random.choice((None, DAY, 3 * DAY)),
                preferred_crew=random.choice((None, 1)),
                begun=random.random() < 0.2,
            )
            for j in range(2)
        ),
        freeze_until=random.choice((0, 3 * DAY)),
        change_crew_slots=64,
        float_slots=0,
    )


def allowed(problem: Problem, places: Sequence[Place]) -> bool:
    """Return whether places that each are allowed alone keep all links and share no unit."""
    for link in problem.links:
        early = places[link.after].start < frees(problem, link, places)
        if early and not problem.activities[link.after].under_way:
            return False
    return fit_together(problem, dict(enumerate(places)))


def fit_together(problem: Problem, places: Mapping[int, Place]) -> bool:
    """Return whether places, by activity, leave every resource within its capacity."""
    for r, resource in enumerate(problem.resources):
        rows = [
            (place, taken(problem, i, place).count(r))
            for i, place in places.items()
            if r in taken(problem, i, place)
        ]
        # Most are in use as some work begins.
        if any(
            sum(units for p, units in rows if p.start <= at.start < p.finish) > resource.capacity
            for at, _ in rows
        ):
            return False
    return True


def taken(problem: Problem, i: int, place: Place) -> tuple[int, ...]:
    """Return the resources that an activity takes in the mode of its place, with repetition."""
    mode = problem.activities[i].modes[place.mode]
    return (*mode.machines, *(() if mode.crew is None else (mode.crew,)))


def stretches(problem: Problem, i: int, mode: int) -> list[tuple[int, int]]:
    """Return every start and finish that activity `i` may have in `mode` if it were alone."""
    activity, way = problem.activities[i], problem.activities[i].modes[mode]
    worked = np.flatnonzero(problem.calendars[way.calendar].working).tolist()
    earliest = max(problem.now, activity.release)
    limit = problem.longest_pause_slots
    if limit is None or activity.under_way:
        limit = problem.axis.slots
    taken = (*way.machines, *(() if way.crew is None else (way.crew,))) if way.work_slots else ()
    blocked = [stretch for r in taken for stretch in problem.resources[r].blocked]
    found = []
    for n in range(bisect_left(worked, earliest), len(worked) - way.work_slots + 1):
        start = worked[n]
        finish = worked[n + way.work_slots - 1] + 1 if way.work_slots else start
        if finish - start > limit and _stops_too_long(worked, n, way.work_slots, limit):
            continue
        if activity.windows and not any(
            w.opens <= start and finish <= w.closes for w in activity.windows
        ):
            continue
        if any(start < ends and begins < finish for begins, ends in blocked):
            continue
        found.append((start, finish))
        if activity.under_way:
            break
    return found


def _stops_too_long(worked: Sequence[int], first: int, work: int, limit: int) -> bool:
    """Return whether work from the slot of index `first` stops for long, and need not."""
    long_after = [n for n in range(first, len(worked) - 1) if worked[n + 1] - worked[n] - 1 > limit]
    if not any(n < first + work - 1 for n in long_after):
        return False
    edges = [first, *(n + 1 for n in long_after), len(worked)]
    return max(b - a for a, b in pairwise(edges)) >= work


def cost(problem: Problem, places: Sequence[Place]) -> float:
    """Return what docs/planning.md asks for a plan that places everything."""
    total = 0.0
    for i, (activity, place) in enumerate(zip(problem.activities, places, strict=True)):
        total += _cost_of_pin(activity, place) + _cost_of_told(problem, activity, places[i])
    for j, job in enumerate(problem.jobs):
        rows = [p for a, p in zip(problem.activities, places, strict=True) if a.job == j]
        if not rows:
            continue
        finish = max(place.finish for place in rows)
        if job.due is not None:
            total += LATE_DAY * job.weight * max(0, -((job.due - finish) // DAY))
        total += (finish - problem.now) / DAY
        total += _cost_of_crews(problem, j, places)
    for link in problem.links:
        if link.longest_slots is not None and not problem.activities[link.after].under_way:
            over = places[link.after].start - frees(problem, link, places) - link.longest_slots
            total += OVERLONG_DAY * max(0, -(-over // DAY))
    return total


def frees(problem: Problem, link: Link, places: Sequence[Place]) -> int:
    """Return the slot at which the leader of a link lets the follower begin."""
    before = places[link.before]
    slot = before.start if link.start_to_start else before.finish
    return slot if link.wait is None else int(problem.waits[link.wait].table[slot])


def _crew(activity: Activity, place: Place) -> int | None:
    return activity.modes[place.mode].crew


def _cost_of_pin(activity: Activity, place: Place) -> float:
    pin = activity.pin
    if pin is None or activity.under_way:
        return 0
    kept = place.start == pin.start and pin.crew in (None, _crew(activity, place))
    return 0 if kept else BROKEN_PIN


def _cost_of_told(problem: Problem, activity: Activity, place: Place) -> float:
    told = activity.announced
    if told is None or activity.under_way:
        return 0
    moved = abs(place.start - told.start)
    other = told.crew not in (None, _crew(activity, place))
    frozen = told.start < problem.freeze_until and activity.pin is None
    return (
        MOVED_DAY * told.weight * (moved // DAY)
        + CREW_CHANGE * other
        + FROZEN_MOVE * (frozen and (other or moved >= FROZEN_TOLERANCE))
    )


def _cost_of_crews(problem: Problem, j: int, places: Sequence[Place]) -> float:
    """Return the price of the crews that come to a job, and of the days its site is open."""
    job = problem.jobs[j]
    by_crew = [
        (crew, place)
        for activity, place in zip(problem.activities, places, strict=True)
        if activity.job == j and (crew := _crew(activity, place)) is not None
    ]
    if not by_crew:
        return 0
    crews = {crew for crew, _ in by_crew} | (
        set() if job.preferred_crew is None else {job.preferred_crew}
    )
    opens = problem.now if job.begun else min(place.start for _, place in by_crew)
    days = (max(place.finish for _, place in by_crew) - opens) // DAY
    visits = sum(_visits(problem, [p for by, p in by_crew if by == crew]) for crew in crews)
    return EXTRA_CREW * (len(crews) - 1) + OPEN_DAY * days + job.visit_price * visits


def _visits(problem: Problem, places: Sequence[Place]) -> int:
    """Return how often one crew comes to one site, a pause that is too long ending a visit."""
    return sum(
        not any(
            other.start < place.start <= other.finish + problem.visit_pause_slots
            for other in places
        )
        for place in places
    )


def places_of(schedule: Schedule) -> list[Place]:
    """Return the bare places of a schedule that places everything."""
    return [Place(p.mode, p.start, p.finish) for p in schedule.placed if p is not None]


def as_schedule(problem: Problem, places: Sequence[Place]) -> Schedule:
    """Return places as a schedule, so that the engine's own check and objective can read them."""
    placed, broken = [], []
    for i, (activity, place) in enumerate(zip(problem.activities, places, strict=True)):
        moved = activity.announced is not None
        kind, why = (Bind.FROZEN, "moved by the reference") if moved else (Bind.NOW, "reference")
        because = Because(kind, None, None, problem.now, why)
        placed.append(Placed(i, *place, because, (because,)))
        if _cost_of_pin(activity, place):
            broken.append(BrokenPin(i, "broken by the reference", place.start))
    return Schedule(tuple(placed), (), tuple(broken))


def announced(problem: Problem, schedule: Schedule) -> Problem:
    """Return the problem with the places of the schedule told to people."""

    def told(row: Activity, placed: Placed | None) -> Activity:
        if placed is None or row.under_way:
            return row
        return replace(row, announced=Announced(row.modes[placed.mode].crew, placed.start))

    rows = map(told, problem.activities, schedule.placed)
    return replace(problem, activities=tuple(rows))
