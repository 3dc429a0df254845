"""A problem laid out in arrays for the compiled passes: made once, read thousands of times.

Where rows have different lengths they stand one behind the other in one array, with a second
array `x_first` of where each begins: the row of i is `x[x_first[i] : x_first[i + 1]]`. NONE stands
for an index or a slot that is not there.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from contractor.engine.compiled import Flags, Floats, Ints, Longs, PointerTable, by_pointer
from contractor.engine.problem import Activity, Problem, Window
from contractor.engine.worktime import WorkCalendar

UNDER_WAY, PINNED, FROZEN, LEADS_TO_FIXED, OPEN = range(5)
"""Who is placed first. What must precede a fixed activity comes before what need not."""

NONE = -1


@by_pointer
@dataclass(frozen=True, eq=False)
class Layout(PointerTable):
    """Arrays by activity unless the name says otherwise; slots and work in slots of the axis.

    `told_…` is what was announced, `wanted_…` what a pin, the freeze or work under way asks for.
    `may_wait`: its job may begin later than it could, as nothing of it was told and it has not
    begun. `coverage[job * resources + resource]` is the work of the job that the crew can do, each
    activity counted by its least mode. `before` and `slot_of` hold the tables of all calendars, and
    then of the base calendars of resources: `before[row * (axis_slots + 1) + t]`, and
    `slot_of[slot_first[row] + n]` for n below `total[row]`; `base[resource]` names the row.
    A group is a set of jobs that links hold together; most are one job.
    """

    size: int
    jobs: int
    resources: int
    axis_slots: int
    now: int
    change_crew_slots: int
    float_slots: int
    visit_pause_slots: int
    longest_pause_slots: int
    earliest: Ints
    rank: Ints
    job: Ints
    may_wait: Flags
    has_pin: Flags
    wanted_start: Ints
    wanted_crew: Ints
    told_start: Ints
    told_crew: Ints
    told_weight: Floats
    told_frozen: Flags
    window_set: Ints
    window_first: Ints
    window_opens: Ints
    window_closes: Ints
    leader_first: Ints
    leader: Ints
    leader_start_to_start: Flags
    leader_wait: Ints
    leader_longest: Ints
    leader_link: Ints
    follower_first: Ints
    follower: Ints
    topological: Ints
    mode_first: Ints
    mode_crew: Ints
    mode_work: Ints
    mode_calendar: Ints
    mode_pauses: Flags
    use_first: Ints
    use_resource: Ints
    use_units: Ints
    before: Ints
    slot_first: Longs
    slot_of: Ints
    total: Ints
    pause_first: Ints
    pause: Ints
    cut_off: Ints
    wait_table: Ints
    capacity: Ints
    base: Ints
    blocked_first: Ints
    blocked_begins: Ints
    blocked_ends: Ints
    due: Ints
    weight: Floats
    visit_price: Floats
    preferred_crew: Ints
    begun: Flags
    member_first: Ints
    member: Ints
    coverage: Ints
    group_first: Ints
    group_member: Ints
    group_job_first: Ints
    group_job: Ints
    group_of_job: Ints


# Keyed by identity and weak: a layout lives exactly as long as its problem.
_LAYOUTS: WeakKeyDictionary[Problem, Layout] = WeakKeyDictionary()


def prepare(problem: Problem) -> Layout:
    """Return the layout of `problem`, computed at the first call."""
    layout = _LAYOUTS.get(problem)
    if layout is None:
        layout = _LAYOUTS[problem] = _build(problem)
    return layout


def _build(problem: Problem) -> Layout:
    activities = problem.activities
    size = len(activities)
    links = _Links(problem)
    followers = links.followers(size)
    topological = _topological(links.first, followers)
    rank = _ranks(problem, followers, topological)
    begun = _begun(problem)
    told = [activity.announced for activity in activities]
    wanted = [_wanted(activity, rank[i]) for i, activity in enumerate(activities)]
    job = _ints(activity.job for activity in activities)
    members = _rows_by(job, topological, len(problem.jobs))
    group_of_job, group_jobs = _groups(problem)
    groups = _rows_by(group_of_job[job], topological, len(group_jobs))
    return Layout(
        size=size,
        jobs=len(problem.jobs),
        resources=len(problem.resources),
        axis_slots=problem.axis.slots,
        now=problem.now,
        change_crew_slots=problem.change_crew_slots,
        float_slots=problem.float_slots,
        visit_pause_slots=problem.visit_pause_slots,
        longest_pause_slots=(
            problem.axis.slots
            if problem.longest_pause_slots is None
            else problem.longest_pause_slots
        ),
        earliest=_ints(max(problem.now, activity.release) for activity in activities),
        rank=_ints(rank),
        job=job,
        may_wait=_flags(
            rank[i] == OPEN and told[i] is None and not begun[activity.job]
            for i, activity in enumerate(activities)
        ),
        has_pin=_flags(activity.pin is not None for activity in activities),
        wanted_start=_indexes(start for _, start in wanted),
        wanted_crew=_indexes(crew for crew, _ in wanted),
        told_start=_indexes(a.start if a else None for a in told),
        told_crew=_indexes(a.crew if a else None for a in told),
        told_weight=_floats(a.weight if a else 0.0 for a in told),
        told_frozen=_flags(
            a is not None and a.start < problem.freeze_until and activity.pin is None
            for a, activity in zip(told, activities, strict=True)
        ),
        **_windows(activities),
        leader_first=links.first,
        leader=links.leader,
        leader_start_to_start=links.start_to_start,
        leader_wait=links.wait,
        leader_longest=links.longest,
        leader_link=links.link,
        follower_first=_firsts([len(row) for row in followers]),
        follower=_ints(chain.from_iterable(followers)),
        topological=_ints(topological),
        **_modes(problem),
        **_calendars(problem),
        wait_table=(
            np.concatenate([wait.table for wait in problem.waits]) if problem.waits else _ints(())
        ),
        capacity=_ints(resource.capacity for resource in problem.resources),
        blocked_first=_firsts([len(resource.blocked) for resource in problem.resources]),
        blocked_begins=_ints(b for resource in problem.resources for b, _ in resource.blocked),
        blocked_ends=_ints(e for resource in problem.resources for _, e in resource.blocked),
        due=_indexes(j.due for j in problem.jobs),
        weight=_floats(j.weight for j in problem.jobs),
        visit_price=_floats(j.visit_price for j in problem.jobs),
        preferred_crew=_indexes(j.preferred_crew for j in problem.jobs),
        begun=begun,
        member_first=_firsts([len(row) for row in members]),
        member=_ints(chain.from_iterable(members)),
        coverage=_coverage(problem).ravel(),
        group_first=_firsts([len(row) for row in groups]),
        group_member=_ints(chain.from_iterable(groups)),
        group_job_first=_firsts([len(row) for row in group_jobs]),
        group_job=_ints(chain.from_iterable(group_jobs)),
        group_of_job=group_of_job,
    )


class _Links:
    """The links that hold each activity, by activity; work under way is held by none."""

    def __init__(self, problem: Problem) -> None:
        activities = problem.activities
        holding = [
            k for k, link in enumerate(problem.links) if not activities[link.after].under_way
        ]
        holding.sort(key=lambda k: problem.links[k].after)
        rows = [problem.links[k] for k in holding]
        counts = (
            np.bincount([link.after for link in rows], minlength=len(activities))
            if rows
            else np.zeros(len(activities), dtype=np.int64)
        )
        self.first = _firsts(counts)
        self.leader = _ints(link.before for link in rows)
        self.start_to_start = _flags(link.start_to_start for link in rows)
        self.wait = _indexes(link.wait for link in rows)
        self.longest = _indexes(link.longest_slots for link in rows)
        self.link = _ints(holding)
        self._rows = rows

    def followers(self, size: int) -> list[list[int]]:
        followers: list[list[int]] = [[] for _ in range(size)]
        for link in self._rows:
            followers[link.before].append(link.after)
        return followers


def _topological(leader_first: Ints, followers: Sequence[Sequence[int]]) -> list[int]:
    missing = np.diff(leader_first).tolist()
    order = [i for i, count in enumerate(missing) if count == 0]
    for i in order:
        for after in followers[i]:
            missing[after] -= 1
            if missing[after] == 0:
                order.append(after)
    return order


def _ranks(
    problem: Problem, followers: Sequence[Sequence[int]], topological: Sequence[int]
) -> list[int]:
    rank = [_own_rank(activity, problem.freeze_until) for activity in problem.activities]
    for i in reversed(topological):
        if rank[i] == OPEN and any(rank[after] < OPEN for after in followers[i]):
            rank[i] = LEADS_TO_FIXED
    return rank


def _own_rank(activity: Activity, freeze_until: int) -> int:
    if activity.under_way:
        return UNDER_WAY
    if activity.pin:
        return PINNED
    if activity.announced and activity.announced.start < freeze_until:
        return FROZEN
    return OPEN


def _wanted(activity: Activity, rank: int) -> tuple[int | None, int | None]:
    """Return the crew and start that the decoder keeps if it can."""
    told = activity.announced
    if rank == UNDER_WAY:
        by = activity.pin or told
        return (by.crew if by else None), None
    if activity.pin:
        return activity.pin.crew, activity.pin.start
    if rank == FROZEN and told:
        return told.crew, told.start
    return None, None


def _begun(problem: Problem) -> Flags:
    """Return whether each job is said to have begun, or has work that should have by now."""
    begun = _flags(job.begun for job in problem.jobs)
    for activity in problem.activities:
        told = activity.announced
        if activity.under_way or (told is not None and told.start < problem.now):
            begun[activity.job] = True
    return begun


def _coverage(problem: Problem) -> Ints:
    coverage = np.zeros((len(problem.jobs), len(problem.resources)), dtype=np.int32)
    for activity in problem.activities:
        least = min((mode.work_slots for mode in activity.modes), default=0)
        for crew in {mode.crew for mode in activity.modes if mode.crew is not None}:
            coverage[activity.job, crew] += least
    return coverage


def _groups(problem: Problem) -> tuple[Ints, list[list[int]]]:
    """Return the group of each job, and the jobs of each group: those that links tie together."""
    parent = list(range(len(problem.jobs)))

    def root(job: int) -> int:
        while parent[job] != job:
            parent[job] = parent[parent[job]]
            job = parent[job]
        return job

    for link in problem.links:
        one = root(problem.activities[link.before].job)
        other = root(problem.activities[link.after].job)
        parent[max(one, other)] = min(one, other)
    index: dict[int, int] = {}
    jobs: list[list[int]] = []
    group_of_job = []
    for job in range(len(parent)):
        group = index.setdefault(root(job), len(jobs))
        if group == len(jobs):
            jobs.append([])
        jobs[group].append(job)
        group_of_job.append(group)
    return _ints(group_of_job), jobs


def _windows(activities: Sequence[Activity]) -> dict[str, Any]:
    """Return the sets of windows, each in order and none inside another, so both rows rise."""
    index: dict[int, int] = {}
    kept: list[list[Window]] = []
    sets = []
    for activity in activities:
        key = id(activity.windows)
        if not activity.windows:
            sets.append(NONE)
            continue
        if key not in index:
            index[key] = len(kept)
            kept.append(_without_inner(activity.windows))
        sets.append(index[key])
    return {
        "window_set": _ints(sets),
        "window_first": _firsts([len(row) for row in kept]),
        "window_opens": _ints(window.opens for row in kept for window in row),
        "window_closes": _ints(window.closes for row in kept for window in row),
    }


def _without_inner(windows: Sequence[Window]) -> list[Window]:
    kept: list[Window] = []
    for window in sorted(windows, key=lambda w: (w.opens, -w.closes)):
        if not kept or window.closes > kept[-1].closes:
            kept.append(window)
    return kept


def _modes(problem: Problem) -> dict[str, Any]:
    """Return all modes with the units they take; no work takes nothing."""
    uses: list[list[tuple[int, int]]] = []
    breaks: list[bool] = []
    limited = problem.longest_pause_slots is not None
    for activity in problem.activities:
        for mode in activity.modes:
            row: list[tuple[int, int]] = []
            if mode.work_slots:
                if mode.crew is not None:
                    row.append((mode.crew, 1))
                if mode.machines:
                    row.extend(Counter(mode.machines).items())
            uses.append(row)
            breaks.append(limited and not activity.under_way and mode.work_slots > 0)
    modes = [mode for activity in problem.activities for mode in activity.modes]
    return {
        "mode_first": _firsts([len(activity.modes) for activity in problem.activities]),
        "mode_crew": _indexes(mode.crew for mode in modes),
        "mode_work": _ints(mode.work_slots for mode in modes),
        "mode_calendar": _ints(mode.calendar for mode in modes),
        "mode_pauses": _flags(breaks),
        "use_first": _firsts([len(row) for row in uses]),
        "use_resource": _ints(resource for row in uses for resource, _ in row),
        "use_units": _ints(units for row in uses for _, units in row),
    }


def _calendars(problem: Problem) -> dict[str, Any]:
    """Return the tables of all calendars and base calendars, and where work must not pause."""
    rows = list(problem.calendars)
    base = [_row_of(rows, needed) for needed in _base_calendars(problem)]
    slots = problem.axis.slots
    before = np.empty(len(rows) * (slots + 1), dtype=np.int32)
    for index, calendar in enumerate(rows):
        before[index * (slots + 1) : (index + 1) * (slots + 1)] = calendar.before
    pauses = [_long_pauses(calendar, problem.longest_pause_slots) for calendar in rows]
    return {
        "before": before,
        "slot_first": np.cumsum([0, *(calendar.total for calendar in rows)], dtype=np.int64),
        "slot_of": (
            np.concatenate([np.asarray(calendar.slot_of) for calendar in rows])
            if rows
            else _ints(())
        ),
        "total": _ints(calendar.total for calendar in rows),
        "pause_first": _firsts([len(row) for row in pauses]),
        "pause": _ints(chain.from_iterable(pauses)),
        "cut_off": _ints(
            _cut_off(calendar, row, problem.longest_pause_slots)
            for calendar, row in zip(rows, pauses, strict=True)
        ),
        "base": _ints(base),
    }


def _base_calendars(problem: Problem) -> list[WorkCalendar]:
    """Return, by resource, what any work on it could use, and where it is blocked."""
    used: list[set[int]] = [set() for _ in problem.resources]
    for activity in problem.activities:
        for mode in activity.modes:
            if mode.crew is not None:
                used[mode.crew].add(mode.calendar)
            for machine in mode.machines:
                used[machine].add(mode.calendar)
    by_content: dict[tuple[object, ...], WorkCalendar] = {}
    found = []
    for resource, calendars in zip(problem.resources, used, strict=True):
        key = (frozenset(calendars), resource.blocked)
        if key not in by_content:
            by_content[key] = _base_calendar(problem, calendars, resource.blocked)
        found.append(by_content[key])
    return found


def _base_calendar(
    problem: Problem, calendars: Iterable[int], blocked: Sequence[tuple[int, int]]
) -> WorkCalendar:
    indexes = sorted(calendars)
    if len(indexes) == 1 and not blocked:
        return problem.calendars[indexes[0]]
    working = np.zeros(problem.axis.slots, dtype=np.bool_)
    for index in indexes:
        working |= problem.calendars[index].working
    for begins, ends in blocked:
        working[begins:ends] = True
    return WorkCalendar("base", working)


def _row_of(rows: list[WorkCalendar], calendar: WorkCalendar) -> int:
    for index, row in enumerate(rows):
        if row is calendar:
            return index
    rows.append(calendar)
    return len(rows) - 1


def _long_pauses(calendar: WorkCalendar, longest: int | None) -> list[int]:
    """Return the index of the working slot that follows each pause longer than `longest`."""
    if longest is None:
        return []
    idle = np.diff(calendar.slot_of) - 1
    return (np.flatnonzero(idle > longest) + 1).tolist()


def _cut_off(calendar: WorkCalendar, pauses: Sequence[int], longest: int | None) -> int:
    """Return the first working slot of a stretch that may go on where the axis ends.

    It is past all of them where none does.
    """
    if longest is None or not pauses:
        return calendar.total
    idle_at_end = calendar.slots - 1 - calendar.slot_of[-1]
    return pauses[-1] if idle_at_end <= longest else calendar.total


def _rows_by(key: Ints, order: Sequence[int], rows: int) -> list[list[int]]:
    """Return `order` dealt out into `rows` rows by key."""
    dealt: list[list[int]] = [[] for _ in range(rows)]
    keys = key.tolist()
    for i in order:
        dealt[keys[i]].append(i)
    return dealt


def _firsts(counts: Sequence[int] | NDArray[np.int64]) -> Ints:
    firsts = np.zeros(len(counts) + 1, dtype=np.int32)
    np.cumsum(np.asarray(counts, dtype=np.int32), out=firsts[1:])
    return firsts


def _ints(values: Iterable[int]) -> Ints:
    return np.array(list(values), dtype=np.int32)


def _indexes(values: Iterable[int | None]) -> Ints:
    return np.array([NONE if v is None else v for v in values], dtype=np.int32)


def _floats(values: Iterable[float]) -> Floats:
    return np.array(list(values), dtype=np.float64)


def _flags(values: Iterable[bool]) -> Flags:
    return np.array(list(values), dtype=np.uint8)
