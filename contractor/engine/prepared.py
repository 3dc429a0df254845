"""A problem laid out in arrays for the compiled passes: made once, read thousands of times."""

from collections import Counter
from collections.abc import Sequence
from itertools import chain
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from contractor.engine.arrays import firsts, flags, floats, indexes, ints
from contractor.engine.calendar_tables import calendar_tables
from contractor.engine.collector import collector_paused
from contractor.engine.compiled import Flags, Ints, Longs
from contractor.engine.layout import (
    FROZEN,
    LEADS_TO_FIXED,
    NONE,
    OPEN,
    PINNED,
    UNDER_WAY,
    Layout,
)
from contractor.engine.problem import Activity, Problem, Window

__all__ = [
    "FROZEN",
    "LEADS_TO_FIXED",
    "NONE",
    "OPEN",
    "PINNED",
    "UNDER_WAY",
    "Layout",
    "prepare",
]

# Keyed by identity and weak: a layout lives exactly as long as its problem.
_LAYOUTS: WeakKeyDictionary[Problem, Layout] = WeakKeyDictionary()


def prepare(problem: Problem) -> Layout:
    """Return the layout of `problem`, computed at the first call."""
    layout = _LAYOUTS.get(problem)
    if layout is None:
        layout = _LAYOUTS[problem] = _build(problem)
    return layout


@collector_paused()
def _build(problem: Problem) -> Layout:
    activities = problem.activities
    size, jobs = len(activities), len(problem.jobs)
    job = ints([activity.job for activity in activities])
    under_way = np.array([activity.under_way for activity in activities], dtype=np.bool_)
    told = _told(activities)
    links = _Links(problem, under_way)
    topological = _topological(links)
    rank = _ranks(problem, links, under_way, told["told_start"])
    begun = _begun(problem, job, under_way, told["told_start"])
    group_of_job, group_jobs = _groups(problem, job)
    member_first, member = _dealt(job, topological, jobs)
    group_first, group_member = _dealt(group_of_job[job], topological, len(group_jobs))
    has_pin = flags([activity.pin is not None for activity in activities])
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
        earliest=np.maximum(ints([activity.release for activity in activities]), problem.now),
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
        **calendar_tables(problem),
        wait_table=(
            np.concatenate([wait.table for wait in problem.waits]) if problem.waits else ints([])
        ),
        capacity=ints([resource.capacity for resource in problem.resources]),
        blocked_first=firsts([len(resource.blocked) for resource in problem.resources]),
        blocked_begins=ints([b for resource in problem.resources for b, _ in resource.blocked]),
        blocked_ends=ints([e for resource in problem.resources for _, e in resource.blocked]),
        due=indexes([j.due for j in problem.jobs]),
        weight=floats([j.weight for j in problem.jobs]),
        visit_price=floats([j.visit_price for j in problem.jobs]),
        preferred_crew=indexes([j.preferred_crew for j in problem.jobs]),
        begun=begun,
        member_first=member_first,
        member=member,
        group_first=group_first,
        group_member=group_member,
        group_job_first=firsts([len(row) for row in group_jobs]),
        group_job=ints(list(chain.from_iterable(group_jobs))),
        group_of_job=group_of_job,
    )


class _Links:
    """The links that hold each activity, by activity; work under way is held by none."""

    def __init__(self, problem: Problem, under_way: NDArray[np.bool_]) -> None:
        links, size = problem.links, len(problem.activities)
        before, after = (
            ints([link.before for link in links]),
            ints([link.after for link in links]),
        )
        holding = np.flatnonzero(~under_way[after])
        self.link = holding[np.argsort(after[holding], kind="stable")].astype(np.int32)
        self.leader = before[self.link]
        self.first = firsts(np.bincount(after[self.link], minlength=size))
        self.start_to_start = flags([link.start_to_start for link in links])[self.link]
        self.wait = indexes([link.wait for link in links])[self.link]
        self.longest = indexes([link.longest_slots for link in links])[self.link]
        by_leader = np.argsort(self.leader, kind="stable")
        self.follower = after[self.link][by_leader]
        self.follower_first = firsts(np.bincount(self.leader, minlength=size))


def _topological(links: _Links) -> Ints:
    missing = np.diff(links.first).tolist()
    first, follower = links.follower_first.tolist(), links.follower.tolist()
    order = [i for i, count in enumerate(missing) if count == 0]
    for i in order:
        for after in follower[first[i] : first[i + 1]]:
            missing[after] -= 1
            if missing[after] == 0:
                order.append(after)
    return ints(order)


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
        "told_start": indexes([t.start if t else None for t in told]),
        "told_crew": indexes([t.crew if t else None for t in told]),
        "told_weight": floats([t.weight if t else 0.0 for t in told]),
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
    begun = flags([each.begun for each in problem.jobs])
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
    return ints(group_of_job), jobs


def _windows(activities: Sequence[Activity]) -> dict[str, Any]:
    """Return the sets of windows, each in order and none inside another, so both rows rise."""
    index: dict[int, int] = {}
    kept: list[tuple[Ints, Ints]] = []
    sets = [NONE] * len(activities)
    for i, activity in enumerate(activities):
        if activity.windows:
            key = id(activity.windows)
            if key not in index:
                index[key] = len(kept)
                kept.append(_without_inner(activity.windows))
            sets[i] = index[key]
    return {
        "window_set": ints(sets),
        "window_first": firsts([opens.size for opens, _ in kept]),
        "window_opens": np.concatenate([ints([]), *(opens for opens, _ in kept)]),
        "window_closes": np.concatenate([ints([]), *(closes for _, closes in kept)]),
    }


def _without_inner(windows: Sequence[Window]) -> tuple[Ints, Ints]:
    """Return when windows open and close that lie inside no other, in order."""
    opens, closes = ints([w.opens for w in windows]), ints([w.closes for w in windows])
    order = np.lexsort((-closes, opens))
    opens, closes = opens[order], closes[order]
    outer = np.ones(opens.size, dtype=np.bool_)
    outer[1:] = closes[1:] > np.maximum.accumulate(closes)[:-1]
    return opens[outer], closes[outer]


def _modes(problem: Problem, job: Ints) -> dict[str, Any]:
    """Return all modes with the units they take, and what crews can do of jobs."""
    # Activities that are done alike mostly share one tuple of modes: each is read once.
    tuples = {id(activity.modes): activity.modes for activity in problem.activities}
    place = {key: number for number, key in enumerate(tuples)}
    modes = [mode for shared in tuples.values() for mode in shared]
    which = ints([place[id(activity.modes)] for activity in problem.activities])
    counts = np.array([len(activity.modes) for activity in problem.activities], dtype=np.int64)
    first = firsts(counts)
    of_activity = np.repeat(np.arange(counts.size), counts)
    first_of_tuple = firsts([len(shared) for shared in tuples.values()])
    at = np.arange(of_activity.size) + (first_of_tuple[which] - first[:-1])[of_activity]
    crew = indexes([mode.crew for mode in modes])[at]
    work = ints([mode.work_slots for mode in modes])[at]
    pauses = np.zeros(at.size, dtype=np.uint8)
    if problem.longest_pause_slots is not None:
        under_way = np.array([activity.under_way for activity in problem.activities], np.bool_)
        pauses[:] = (work > 0) & ~under_way[of_activity]
    return {
        "mode_first": first,
        "mode_crew": crew,
        "mode_work": work,
        "mode_calendar": ints([mode.calendar for mode in modes])[at],
        "mode_pauses": pauses,
        **_uses([mode.machines for mode in modes], at, crew, work),
        "coverage": _coverage(problem, job, first, of_activity, crew, work),
    }


def _uses(
    machines_of: Sequence[tuple[int, ...]], at: Longs, crew: Ints, work: Ints
) -> dict[str, Any]:
    """
    Return the units that modes take of resources, the crew first; no work takes nothing.

    A mode's machines are those `at` its place.
    """
    sets = list(dict.fromkeys(machines_of))
    index = {machines: k for k, machines in enumerate(sets)}
    units = [list(Counter(machines).items()) for machines in sets]
    of_set = ints([index[machines] for machines in machines_of])[at]
    by_crew = (crew != NONE).astype(np.int32)
    counts = (by_crew + ints([len(row) for row in units])[of_set]) * (work > 0)
    first = firsts(counts)
    # Which entry of its mode each entry is; the crew, if there is one, is entry 0.
    of_mode = np.repeat(np.arange(work.size), counts)
    entry = np.arange(of_mode.size) - first[of_mode] - by_crew[of_mode]
    is_crew = entry < 0
    set_first = firsts([len(row) for row in units])
    machine = ints([machine for row in units for machine, _ in row])
    number = ints([number for row in units for _, number in row])
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


def _dealt(key: Ints, order: Ints, rows: int) -> tuple[Ints, Ints]:
    """Return `order` dealt out into `rows` rows by key: where each begins, and all of them."""
    by_key = key[order]
    return firsts(np.bincount(by_key, minlength=rows)), order[np.argsort(by_key, kind="stable")]
