"""The policy that is simulated, laid out for kernels: who does what, in which order, how early."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from contractor.engine.arrays import firsts, flags, floats, indexes, ints
from contractor.engine.compiled import Flags, Floats, Ints, PointerTable, Words, by_pointer
from contractor.engine.layout import NONE
from contractor.engine.problem import Mode, Problem
from contractor.engine.schedule import Schedule
from contractor.engine.simulate.chances import ActivityChances, Chances, CrewChances
from contractor.engine.simulate.course_tables import Stretches, Variants, Weather, Windows
from contractor.engine.simulate.random_numbers import key_of
from contractor.engine.worktime import SLOTS_PER_DAY

__all__ = [
    "DAYS_PER_TEMPERATURE",
    "MOST_REPEATS",
    "SLOTS_PER_TEMPERATURE",
    "Course",
    "course_of",
]

DAYS_PER_TEMPERATURE = 30
SLOTS_PER_TEMPERATURE = DAYS_PER_TEMPERATURE * SLOTS_PER_DAY
"""How long one draw of warmer or colder than expected lasts."""
MOST_REPEATS = 4
"""A visit is passed at the latest when it has been repeated so often."""


@by_pointer
@dataclass(frozen=True, eq=False)
class Course(PointerTable):
    """
    Arrays by activity unless the name says otherwise; NONE where there is nothing.

    Activities stand in the order of their planned starts, which is also their turn; `original` is
    their index in the problem. Crew r has those of `turn[turn_first[r]:turn_first[r + 1]]`, and a
    bit for each from word `word_first[r]` on; `turn_of` is the place among them. `not_before`: the
    first slot at which it may begin, whatever is ready; `promised` that from which its release (a
    delivery) is late. `has_place` is 0 for work that the plan has no place for, `places` how much
    has one. `lost_above` and `mud_above`: the standard normal number above which a day's weather
    stops work, shape gates × days. `user_first` and `users` list by machine the crews that ever
    take it. Windows stand in the order of their openings, equal sets once; `window_latest` is the
    last end among a window and those before. Working time stands in stretches that lie in one day
    each, those of a calendar in order and one beyond the axis behind them; an activity's first that
    ends after a day's begin is `stretch_first[stretch_row + day]`. `day_near` is the day of the
    first slot of so many, `lost_row` where the days begin that weather takes of an activity.
    `varies`: some day may do less of it than planned. `likely_days` is how many days of the axis
    most runs need. `variant_table` holds the tables of all waits, then their variants from
    `variant_first`.
    """

    size: int
    places: int
    jobs: int
    resources: int
    axis_slots: int
    now: int
    gates: int
    areas: int
    days: int
    likely_days: int
    variants: int
    temperatures: int
    has_place: Flags
    original: Ints
    job: Ints
    not_before: Ints
    promised: Ints
    crew: Ints
    calendar: Ints
    work: Ints
    turn_of: Ints
    turn_first: Ints
    turn: Ints
    word_first: Ints
    use_first: Ints
    use_resource: Ints
    use_units: Ints
    user_first: Ints
    users: Ints
    capacity: Ints
    blocked_first: Ints
    blocked_begins: Ints
    blocked_ends: Ints
    may_be_put_off: Flags
    window_set: Ints
    window_first: Ints
    window_opens: Ints
    window_latest: Ints
    leaders: Ints
    link_first: Ints
    link_after: Ints
    link_start_to_start: Flags
    link_wait: Ints
    log_mean: Floats
    log_sd: Floats
    shares: Floats
    late_chance: Floats
    late_slots: Floats
    fail_chance: Floats
    absent_chance: Floats
    rework_slots: Ints
    again_wait: Ints
    varies: Flags
    lost_row: Ints
    short_chance: Floats
    short_share: Floats
    day_near: Ints
    day_first: Ints
    stretch_row: Ints
    stretch_first: Ints
    stretch_begin: Ints
    stretch_end: Ints
    stretch_day: Ints
    lost_above: Floats
    mud_above: Floats
    mud_days: Ints
    likeness: Floats
    variant_first: Ints
    variant_table: Ints
    activity_key: Words
    job_key: Words
    crew_key: Words


def course_of(problem: Problem, schedule: Schedule, chances: Chances, *, early_days: int) -> Course:
    """
    Return the course of `schedule`: nothing begins more than `early_days` before its planned start.

    Raises ValueError for chances that do not fit the problem, a negative `early_days`, and work
    without a crew that needs a machine.
    """
    chances.check(problem)
    if early_days < 0:
        raise ValueError(f"early_days {early_days}: enter 0 or more days")
    size = len(problem.activities)
    begins = [place.start if place else 0 for place in schedule.placed]
    order = sorted(range(size), key=lambda i: (begins[i], i))
    place_of = {i: place for place, i in enumerate(order)}
    activities = [problem.activities[i] for i in order]
    modes = [_mode_of(problem, schedule, i) for i in order]
    rows = [chances.by_activity.get(i, _AS_PLANNED) for i in order]
    crews = [chances.by_resource.get(r, _ALL_THERE) for r in range(len(problem.resources))]
    crew_of = [NONE if m is None or m.crew is None else m.crew for m in modes]
    turns: list[list[int]] = [[] for _ in problem.resources]
    turn_of = np.full(size, NONE, dtype=np.int32)
    for i, crew in enumerate(crew_of):
        if crew != NONE:
            turn_of[i] = len(turns[crew])
            turns[crew].append(i)
    uses = [
        _units(mode.crew, mode.machines) if mode is not None and mode.crew is not None else []
        for mode in modes
    ]
    users: list[set[int]] = [set() for _ in problem.resources]
    for row in uses:
        for r, _ in row[1:]:
            users[r].add(row[0][0])
    links = [link for link in problem.links if not problem.activities[link.after].under_way]
    links.sort(key=lambda link: place_of[link.before])
    followers = [place_of[link.after] for link in links]
    windows = Windows.of(activities)
    weather = Weather.of(problem, chances)
    stretches = Stretches.of(problem, modes, weather.day_first)
    blocked = [resource.blocked for resource in problem.resources]
    variants = Variants.of(problem, chances)
    return Course(
        size=size,
        places=sum(m is not None for m in modes),
        jobs=len(problem.jobs),
        resources=len(problem.resources),
        axis_slots=problem.axis.slots,
        now=problem.now,
        gates=weather.gates,
        areas=weather.areas,
        days=len(weather.day_first) - 1,
        likely_days=_likely_days(problem, schedule, weather.day_first),
        variants=variants.count,
        temperatures=problem.axis.slots // SLOTS_PER_TEMPERATURE + 1,
        has_place=flags([m is not None for m in modes]),
        original=ints(order),
        job=ints([a.job for a in activities]),
        not_before=ints([_not_before(problem, schedule, i, early_days) for i in order]),
        promised=ints([max(a.release, problem.now) for a in activities]),
        crew=ints(crew_of),
        calendar=ints([NONE if m is None else m.calendar for m in modes]),
        work=ints([0 if m is None else m.work_slots for m in modes]),
        turn_of=turn_of,
        turn_first=firsts([len(row) for row in turns]),
        turn=ints([i for row in turns for i in row]),
        word_first=firsts([-(-len(row) // 64) for row in turns]),
        use_first=firsts([len(row) for row in uses]),
        use_resource=ints([r for row in uses for r, _ in row]),
        use_units=ints([u for row in uses for _, u in row]),
        user_first=firsts([len(row) for row in users]),
        users=ints([crew for row in users for crew in sorted(row)]),
        capacity=ints([resource.capacity for resource in problem.resources]),
        blocked_first=firsts([len(row) for row in blocked]),
        blocked_begins=ints([begins for row in blocked for begins, _ in row]),
        blocked_ends=ints([ends for row in blocked for _, ends in row]),
        may_be_put_off=flags(
            [
                bool(activity.windows) or any(blocked[r] for r, _ in use)
                for activity, use in zip(activities, uses, strict=True)
            ]
        ),
        window_set=windows.of_activity,
        window_first=windows.first,
        window_opens=windows.opens,
        window_latest=windows.latest,
        leaders=_counts(followers, size),
        link_first=firsts(_counts([place_of[link.before] for link in links], size).tolist()),
        link_after=ints(followers),
        link_start_to_start=flags([link.start_to_start for link in links]),
        link_wait=indexes([link.wait for link in links]),
        log_mean=floats([row.log_mean for row in rows]),
        log_sd=floats([row.log_sd for row in rows]),
        shares=np.sqrt(
            [
                chances.job_share,
                chances.crew_share,
                1 - chances.job_share - chances.crew_share,
            ]
        ),
        late_chance=floats([row.late_chance for row in rows]),
        late_slots=floats([row.late_days * SLOTS_PER_DAY for row in rows]),
        fail_chance=floats([row.fail_chance for row in rows]),
        absent_chance=floats([row.absent_chance for row in rows]),
        rework_slots=ints([row.rework_slots for row in rows]),
        again_wait=indexes([row.again_wait for row in rows]),
        varies=flags(
            [
                row.gate is not None or (crew != NONE and crews[crew].short_chance > 0)
                for row, crew in zip(rows, crew_of, strict=True)
            ]
        ),
        lost_row=ints([weather.row_of(row) for row in rows]),
        short_chance=floats([row.short_chance for row in crews]),
        short_share=floats([row.short_share for row in crews]),
        day_near=weather.day_near,
        day_first=weather.day_first,
        stretch_row=stretches.row,
        stretch_first=stretches.first,
        stretch_begin=stretches.begin,
        stretch_end=stretches.end,
        stretch_day=stretches.day,
        lost_above=weather.lost_above,
        mud_above=weather.mud_above,
        mud_days=weather.mud_days,
        likeness=weather.likeness,
        variant_first=variants.first,
        variant_table=variants.table,
        activity_key=_words([key_of(a.key) for a in activities]),
        job_key=_words([key_of(j.key) for j in problem.jobs]),
        crew_key=_words([key_of(r.key) for r in problem.resources]),
    )


_AS_PLANNED = ActivityChances()
_ALL_THERE = CrewChances()


def _likely_days(problem: Problem, schedule: Schedule, day_first: Ints) -> int:
    """Return the days from the axis's first to the end of the plan and a quarter more."""
    ends = max((place.finish for place in schedule.placed if place), default=problem.now)
    slot = ends + (ends - problem.now) // 4
    return min(int(np.searchsorted(day_first, slot)) + 1, len(day_first) - 1)


def _mode_of(problem: Problem, schedule: Schedule, i: int) -> Mode | None:
    """Return how an activity is done in the plan; None where it has no place."""
    activity, place = problem.activities[i], schedule.placed[i]
    if place is None:
        return None
    mode = activity.modes[place.mode]
    if mode.machines and mode.crew is None:
        raise ValueError(
            f"activity {activity.key!r}: a machine without a crew is not simulated; "
            "give the work a crew"
        )
    return mode


def _not_before(problem: Problem, schedule: Schedule, i: int, early_days: int) -> int:
    """Return the first slot at which an activity may begin: a pin's own, else a few days early."""
    activity, place = problem.activities[i], schedule.placed[i]
    earliest = max(problem.now, activity.release)
    if activity.under_way or place is None:
        return problem.now
    if activity.pin is not None:
        return max(earliest, min(activity.pin.start, place.start))
    return max(earliest, place.start - early_days * SLOTS_PER_DAY)


def _units(crew: int, machines: tuple[int, ...]) -> list[tuple[int, int]]:
    """Return what a mode takes, its crew first."""
    return [(crew, 1), *((m, machines.count(m)) for m in sorted(set(machines)))]


def _counts(values: Sequence[int], size: int) -> Ints:
    return np.bincount(ints(values), minlength=size).astype(np.int32)


def _words(values: Sequence[int]) -> Words:
    return np.array(values, dtype=np.uint64)
