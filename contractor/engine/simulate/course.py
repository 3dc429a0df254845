"""The policy that is simulated, laid out for kernels: who does what, in which order, how early."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from statistics import NormalDist

import numpy as np

from contractor.engine.compiled import Flags, Floats, Ints, PointerTable, Words, by_pointer
from contractor.engine.prepared import NONE, prepare
from contractor.engine.problem import Mode, Problem, Window
from contractor.engine.schedule import Schedule
from contractor.engine.simulate.chances import (
    ActivityChances,
    Chances,
    CrewChances,
    WeatherChances,
)
from contractor.engine.simulate.random_numbers import key_of
from contractor.engine.worktime import SLOTS_PER_DAY

__all__ = ["DAYS_PER_TEMPERATURE", "MOST_REPEATS", "SLOTS_PER_TEMPERATURE", "Course", "course_of"]

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
    delivery) is late. `has_place` is 0 for work that the plan has no place for. `lost_above` and
    `mud_above`: the standard normal number above which a day's weather stops work, shape gates ×
    days. `user_first` and `users` list by machine the crews that ever take it. Windows stand in the
    order of their openings; `window_latest` is the last end among a window and those before.
    `likely_days` is how many days of the axis most runs need. `variant_table` holds the tables of
    all waits, then their variants from `variant_first`.
    """

    size: int
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
    gate: Ints
    area: Ints
    short_chance: Floats
    short_share: Floats
    day_of: Ints
    day_first: Ints
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
    layout = prepare(problem)
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
    windows = [sorted(activity.windows, key=_opens) for activity in activities]
    weather = _Weather.of(problem, chances)
    variants = _Variants.of(problem, chances)
    return Course(
        size=size,
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
        has_place=_flags([m is not None for m in modes]),
        original=_ints(order),
        job=layout.job[order],
        not_before=_ints([_not_before(problem, schedule, i, early_days) for i in order]),
        promised=layout.earliest[order],
        crew=_ints(crew_of),
        calendar=_ints([NONE if m is None else m.calendar for m in modes]),
        work=_ints([0 if m is None else m.work_slots for m in modes]),
        turn_of=turn_of,
        turn_first=_firsts([len(row) for row in turns]),
        turn=_ints([i for row in turns for i in row]),
        word_first=_firsts([-(-len(row) // 64) for row in turns]),
        use_first=_firsts([len(row) for row in uses]),
        use_resource=_ints([r for row in uses for r, _ in row]),
        use_units=_ints([u for row in uses for _, u in row]),
        user_first=_firsts([len(row) for row in users]),
        users=_ints([crew for row in users for crew in sorted(row)]),
        capacity=layout.capacity,
        blocked_first=layout.blocked_first,
        blocked_begins=layout.blocked_begins,
        blocked_ends=layout.blocked_ends,
        may_be_put_off=_flags(
            [
                bool(row) or any(problem.resources[r].blocked for r, _ in use)
                for row, use in zip(windows, uses, strict=True)
            ]
        ),
        window_first=_firsts([len(row) for row in windows]),
        window_opens=_ints([w.opens for row in windows for w in row]),
        window_latest=_ints(
            [latest for row in windows for latest in accumulate((w.closes for w in row), max)]
        ),
        leaders=_counts(followers, size),
        link_first=_firsts(_counts([place_of[link.before] for link in links], size)),
        link_after=_ints(followers),
        link_start_to_start=_flags([link.start_to_start for link in links]),
        link_wait=_ints([NONE if link.wait is None else link.wait for link in links]),
        log_mean=_floats([row.log_mean for row in rows]),
        log_sd=_floats([row.log_sd for row in rows]),
        shares=np.sqrt(
            [
                chances.job_share,
                chances.crew_share,
                1 - chances.job_share - chances.crew_share,
            ]
        ),
        late_chance=_floats([row.late_chance for row in rows]),
        late_slots=_floats([row.late_days * SLOTS_PER_DAY for row in rows]),
        fail_chance=_floats([row.fail_chance for row in rows]),
        absent_chance=_floats([row.absent_chance for row in rows]),
        rework_slots=_ints([row.rework_slots for row in rows]),
        again_wait=_ints([NONE if row.again_wait is None else row.again_wait for row in rows]),
        gate=_ints([NONE if row.gate is None else row.gate for row in rows]),
        area=_ints([row.area for row in rows]),
        short_chance=_floats([row.short_chance for row in crews]),
        short_share=_floats([row.short_share for row in crews]),
        day_of=weather.day_of,
        day_first=weather.day_first,
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
NEVER = 40.0
"""A standard normal number that is never reached."""


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


def _opens(window: Window) -> int:
    return window.opens


@dataclass(frozen=True, slots=True, eq=False)
class _Weather:
    gates: int
    areas: int
    day_of: Ints
    day_first: Ints
    lost_above: Floats
    mud_above: Floats
    mud_days: Ints
    likeness: Floats

    @staticmethod
    def of(problem: Problem, chances: Chances) -> "_Weather":
        weather = chances.weather or WeatherChances(
            day_first=np.arange(
                0, problem.axis.slots + 2 * SLOTS_PER_DAY, SLOTS_PER_DAY, dtype=np.int32
            )
        )
        day_first = np.ascontiguousarray(weather.day_first, dtype=np.int32)
        slots = np.arange(problem.axis.slots + 1)
        days = len(day_first) - 1
        day_of = np.clip(np.searchsorted(day_first, slots, side="right") - 1, 0, days - 1)
        none = np.zeros(days)
        return _Weather(
            gates=len(weather.gates),
            areas=weather.areas,
            day_of=day_of.astype(np.int32),
            day_first=day_first,
            lost_above=_joined([_above(gate.lost_chance) for gate in weather.gates]),
            mud_above=_joined(
                [
                    _above(none if gate.mud_chance is None else gate.mud_chance)
                    for gate in weather.gates
                ]
            ),
            mud_days=_ints([gate.mud_days for gate in weather.gates]),
            likeness=_floats([weather.persistence, weather.shared]),
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Variants:
    count: int
    first: Ints
    table: Ints

    @staticmethod
    def of(problem: Problem, chances: Chances) -> "_Variants":
        first = np.full(max(len(problem.waits), 1), NONE, dtype=np.int32)
        tables: list[Ints] = []
        for wait, row in sorted(chances.wait_variants.items()):
            first[wait] = len(tables)
            tables += [np.asarray(table, dtype=np.int32) for table in row]
        count = len(next(iter(chances.wait_variants.values()), ()))
        own = [np.asarray(wait.table, dtype=np.int32) for wait in problem.waits]
        # The waits' own tables come first, their variants behind them.
        first = np.where(first == NONE, NONE, first + len(own)).astype(np.int32)
        joined = np.concatenate([*own, *tables]) if own else _ints([])
        return _Variants(count, first, joined)


def _above(chance: Floats) -> Floats:
    """Return the standard normal numbers that are exceeded with these chances."""
    known = {p: _exceeded(p) for p in set(chance.tolist())}
    return _floats([known[p] for p in chance.tolist()])


def _exceeded(chance: float) -> float:
    if chance <= 0:
        return NEVER
    return -NEVER if chance >= 1 else -NormalDist().inv_cdf(chance)


def _joined(rows: Sequence[Floats]) -> Floats:
    return np.concatenate(rows) if rows else _floats([])


def _firsts(counts: Sequence[int] | Ints) -> Ints:
    return np.concatenate(([0], np.cumsum(counts, dtype=np.int32))).astype(np.int32)


def _counts(values: Sequence[int], size: int) -> Ints:
    return np.bincount(_ints(values), minlength=size).astype(np.int32)


def _ints(values: Sequence[int]) -> Ints:
    return np.array(values, dtype=np.int32)


def _flags(values: Sequence[bool]) -> Flags:
    return np.array(values, dtype=np.uint8)


def _floats(values: Sequence[float]) -> Floats:
    return np.array(values, dtype=np.float64)


def _words(values: Sequence[int]) -> Words:
    return np.array(values, dtype=np.uint64)
