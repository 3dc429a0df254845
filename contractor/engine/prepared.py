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
from contractor.engine.problem import Activity, Mode, Problem, Window
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
    size, jobs = len(activities), len(problem.jobs)
    job = _ints([activity.job for activity in activities])
    under_way = np.array([activity.under_way for activity in activities], dtype=np.bool_)
    told = _told(activities)
    links = _Links(problem, under_way)
    topological = _topological(links)
    rank = _ranks(problem, links, under_way, told["told_start"])
    begun = _begun(problem, job, under_way, told["told_start"])
    group_of_job, group_jobs = _groups(problem, job)
    member_first, member = _dealt(job, topological, jobs)
    group_first, group_member = _dealt(group_of_job[job], topological, len(group_jobs))
    has_pin = _flags([activity.pin is not None for activity in activities])
    return Layout(
        size=size,
        jobs=jobs,
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
        earliest=np.maximum(_ints([activity.release for activity in activities]), problem.now),
        rank=rank,
        job=job,
        may_wait=((rank == OPEN) & (told["told_start"] == NONE) & (begun[job] == 0)).view(np.uint8),
        has_pin=has_pin,
        **_wanted(activities, rank),
        **told,
        told_frozen=(
            (told["told_start"] != NONE)
            & (told["told_start"] < problem.freeze_until)
            & (has_pin == 0)
        ).view(np.uint8),
        **_windows(activities),
        leader_first=links.first,
        leader=links.leader,
        leader_start_to_start=links.start_to_start,
        leader_wait=links.wait,
        leader_longest=links.longest,
        leader_link=links.link,
        follower_first=links.follower_first,
        follower=links.follower,
        topological=topological,
        **_modes(problem, job),
        **_calendars(problem),
        wait_table=(
            np.concatenate([wait.table for wait in problem.waits]) if problem.waits else _ints([])
        ),
        capacity=_ints([resource.capacity for resource in problem.resources]),
        blocked_first=_firsts([len(resource.blocked) for resource in problem.resources]),
        blocked_begins=_ints([b for resource in problem.resources for b, _ in resource.blocked]),
        blocked_ends=_ints([e for resource in problem.resources for _, e in resource.blocked]),
        due=_indexes([j.due for j in problem.jobs]),
        weight=_floats([j.weight for j in problem.jobs]),
        visit_price=_floats([j.visit_price for j in problem.jobs]),
        preferred_crew=_indexes([j.preferred_crew for j in problem.jobs]),
        begun=begun,
        member_first=member_first,
        member=member,
        group_first=group_first,
        group_member=group_member,
        group_job_first=_firsts([len(row) for row in group_jobs]),
        group_job=_ints(list(chain.from_iterable(group_jobs))),
        group_of_job=group_of_job,
    )


class _Links:
    """The links that hold each activity, by activity; work under way is held by none."""

    def __init__(self, problem: Problem, under_way: NDArray[np.bool_]) -> None:
        links, size = problem.links, len(problem.activities)
        before, after = (
            _ints([link.before for link in links]),
            _ints([link.after for link in links]),
        )
        holding = np.flatnonzero(~under_way[after])
        self.link = holding[np.argsort(after[holding], kind="stable")].astype(np.int32)
        self.leader = before[self.link]
        self.first = _firsts(np.bincount(after[self.link], minlength=size))
        self.start_to_start = _flags([link.start_to_start for link in links])[self.link]
        self.wait = _indexes([link.wait for link in links])[self.link]
        self.longest = _indexes([link.longest_slots for link in links])[self.link]
        by_leader = np.argsort(self.leader, kind="stable")
        self.follower = after[self.link][by_leader]
        self.follower_first = _firsts(np.bincount(self.leader, minlength=size))


def _topological(links: _Links) -> Ints:
    missing = np.diff(links.first).tolist()
    first, follower = links.follower_first.tolist(), links.follower.tolist()
    order = [i for i, count in enumerate(missing) if count == 0]
    for i in order:
        for after in follower[first[i] : first[i + 1]]:
            missing[after] -= 1
            if missing[after] == 0:
                order.append(after)
    return _ints(order)


def _ranks(problem: Problem, links: _Links, under_way: NDArray[np.bool_], told_start: Ints) -> Ints:
    rank = np.full(len(problem.activities), OPEN, dtype=np.int32)
    rank[(told_start != NONE) & (told_start < problem.freeze_until)] = FROZEN
    rank[[i for i, activity in enumerate(problem.activities) if activity.pin]] = PINNED
    rank[under_way] = UNDER_WAY
    fixed = np.flatnonzero(rank != OPEN).tolist()
    while fixed:
        i = fixed.pop()
        for leader in links.leader[links.first[i] : links.first[i + 1]].tolist():
            if rank[leader] == OPEN:
                rank[leader] = LEADS_TO_FIXED
                fixed.append(leader)
    return rank


def _told(activities: Sequence[Activity]) -> dict[str, Any]:
    """Return what was announced."""
    told = [activity.announced for activity in activities]
    return {
        "told_start": _indexes([t.start if t else None for t in told]),
        "told_crew": _indexes([t.crew if t else None for t in told]),
        "told_weight": _floats([t.weight if t else 0.0 for t in told]),
    }


def _wanted(activities: Sequence[Activity], rank: Ints) -> dict[str, Any]:
    """Return the crew and start that the decoder keeps if it can."""
    crew = np.full(rank.size, NONE, dtype=np.int32)
    start = np.full(rank.size, NONE, dtype=np.int32)
    for i in np.flatnonzero(rank <= FROZEN).tolist():
        activity = activities[i]
        by = activity.pin or activity.announced
        if by is not None:
            crew[i] = NONE if by.crew is None else by.crew
            if rank[i] != UNDER_WAY:
                start[i] = by.start
    return {"wanted_start": start, "wanted_crew": crew}


def _begun(problem: Problem, job: Ints, under_way: NDArray[np.bool_], told_start: Ints) -> Flags:
    """Return whether each job is said to have begun, or has work that should have by now."""
    begun = _flags([each.begun for each in problem.jobs])
    begun[job[under_way | ((told_start != NONE) & (told_start < problem.now))]] = True
    return begun


def _groups(problem: Problem, job: Ints) -> tuple[Ints, list[list[int]]]:
    """Return the group of each job, and the jobs of each group: those that links tie together."""
    parent = list(range(len(problem.jobs)))

    def root(job: int) -> int:
        while parent[job] != job:
            parent[job] = parent[parent[job]]
            job = parent[job]
        return job

    job_of = job.tolist()
    for link in problem.links:
        if job_of[link.before] != job_of[link.after]:
            one, other = root(job_of[link.before]), root(job_of[link.after])
            parent[max(one, other)] = min(one, other)
    index: dict[int, int] = {}
    jobs: list[list[int]] = []
    group_of_job = []
    for each in range(len(parent)):
        group = index.setdefault(root(each), len(jobs))
        if group == len(jobs):
            jobs.append([])
        jobs[group].append(each)
        group_of_job.append(group)
    return _ints(group_of_job), jobs


def _windows(activities: Sequence[Activity]) -> dict[str, Any]:
    """Return the sets of windows, each in order and none inside another, so both rows rise."""
    index: dict[int, int] = {}
    kept: list[list[Window]] = []
    sets = [NONE] * len(activities)
    for i, activity in enumerate(activities):
        if activity.windows:
            key = id(activity.windows)
            if key not in index:
                index[key] = len(kept)
                kept.append(_without_inner(activity.windows))
            sets[i] = index[key]
    return {
        "window_set": _ints(sets),
        "window_first": _firsts([len(row) for row in kept]),
        "window_opens": _ints([window.opens for row in kept for window in row]),
        "window_closes": _ints([window.closes for row in kept for window in row]),
    }


def _without_inner(windows: Sequence[Window]) -> list[Window]:
    kept: list[Window] = []
    for window in sorted(windows, key=lambda w: (w.opens, -w.closes)):
        if not kept or window.closes > kept[-1].closes:
            kept.append(window)
    return kept


def _modes(problem: Problem, job: Ints) -> dict[str, Any]:
    """Return all modes with the units they take, and what crews can do of jobs."""
    modes = [mode for activity in problem.activities for mode in activity.modes]
    crew = _indexes([mode.crew for mode in modes])
    work = _ints([mode.work_slots for mode in modes])
    counts = np.array([len(activity.modes) for activity in problem.activities], dtype=np.int64)
    first = _firsts(counts)
    of_activity = np.repeat(np.arange(counts.size), counts)
    pauses = np.zeros(len(modes), dtype=np.uint8)
    if problem.longest_pause_slots is not None:
        under_way = np.array([activity.under_way for activity in problem.activities], np.bool_)
        pauses[:] = (work > 0) & ~under_way[of_activity]
    return {
        "mode_first": first,
        "mode_crew": crew,
        "mode_work": work,
        "mode_calendar": _ints([mode.calendar for mode in modes]),
        "mode_pauses": pauses,
        **_uses(modes, crew, work),
        "coverage": _coverage(problem, job, first, of_activity, crew, work),
    }


def _uses(modes: Sequence[Mode], crew: Ints, work: Ints) -> dict[str, Any]:
    """Return the units that modes take of resources, the crew first; no work takes nothing."""
    sets = list(dict.fromkeys(mode.machines for mode in modes))
    index = {machines: k for k, machines in enumerate(sets)}
    units = [list(Counter(machines).items()) for machines in sets]
    of_set = _ints([index[mode.machines] for mode in modes])
    by_crew = (crew != NONE).astype(np.int32)
    counts = (by_crew + _ints([len(row) for row in units])[of_set]) * (work > 0)
    first = _firsts(counts)
    # Which entry of its mode each entry is; the crew, if there is one, is entry 0.
    of_mode = np.repeat(np.arange(work.size), counts)
    entry = np.arange(of_mode.size) - first[of_mode] - by_crew[of_mode]
    is_crew = entry < 0
    set_first = _firsts([len(row) for row in units])
    machine = _ints([machine for row in units for machine, _ in row])
    number = _ints([number for row in units for _, number in row])
    resource, taken = crew[of_mode], np.ones(of_mode.size, dtype=np.int32)
    at = (set_first[of_set[of_mode]] + entry)[~is_crew]
    resource[~is_crew], taken[~is_crew] = machine[at], number[at]
    return {"use_first": first, "use_resource": resource, "use_units": taken}


def _coverage(
    problem: Problem, job: Ints, first: Ints, of_activity: Longs, crew: Ints, work: Ints
) -> Ints:
    """Return how much of each job each resource can do, flat."""
    resources = len(problem.resources)
    coverage = np.zeros(len(problem.jobs) * resources, dtype=np.int32)
    by_crew = np.flatnonzero(crew != NONE)
    if by_crew.size:
        can = np.flatnonzero(np.diff(first))
        least = np.zeros(job.size, dtype=np.int32)
        least[can] = np.minimum.reduceat(work, first[can])
        # A crew that can do an activity in two ways still does it once.
        pairs = np.unique(of_activity[by_crew] * resources + crew[by_crew])
        activity = pairs // resources
        np.add.at(coverage, job[activity] * resources + pairs % resources, least[activity])
    return coverage


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
            else _ints([])
        ),
        "total": _ints([calendar.total for calendar in rows]),
        "pause_first": _firsts([len(row) for row in pauses]),
        "pause": _ints(list(chain.from_iterable(pauses))),
        "cut_off": _ints(
            [
                _cut_off(calendar, row, problem.longest_pause_slots)
                for calendar, row in zip(rows, pauses, strict=True)
            ]
        ),
        "base": _ints(base),
    }


def _base_calendars(problem: Problem) -> list[WorkCalendar]:
    """Return, by resource, what any work on it could use, and where it is blocked."""
    used: list[set[int]] = [set() for _ in problem.resources]
    ways = {
        (mode.crew, mode.machines, mode.calendar)
        for activity in problem.activities
        for mode in activity.modes
    }
    for crew, machines, calendar in ways:
        for resource in machines if crew is None else (crew, *machines):
            used[resource].add(calendar)
    by_content: dict[tuple[object, ...], WorkCalendar] = {}
    found = []
    for whole, calendars in zip(problem.resources, used, strict=True):
        key = (frozenset(calendars), whole.blocked)
        if key not in by_content:
            by_content[key] = _base_calendar(problem, calendars, whole.blocked)
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


def _dealt(key: Ints, order: Ints, rows: int) -> tuple[Ints, Ints]:
    """Return `order` dealt out into `rows` rows by key: where each begins, and all of them."""
    by_key = key[order]
    return _firsts(np.bincount(by_key, minlength=rows)), order[np.argsort(by_key, kind="stable")]


def _firsts(counts: Sequence[int] | NDArray[np.int64]) -> Ints:
    firsts = np.zeros(len(counts) + 1, dtype=np.int32)
    np.cumsum(np.asarray(counts, dtype=np.int32), out=firsts[1:])
    return firsts


def _ints(values: Sequence[int]) -> Ints:
    return np.array(values, dtype=np.int32)


def _indexes(values: Sequence[int | None]) -> Ints:
    return np.array([NONE if v is None else v for v in values], dtype=np.int32)


def _floats(values: Sequence[float]) -> Floats:
    return np.array(values, dtype=np.float64)


def _flags(values: Sequence[bool]) -> Flags:
    return np.array(values, dtype=np.uint8)
