"""A problem laid out for decoding: computed once per problem, read thousands of times."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple
from weakref import WeakKeyDictionary

import numpy as np

from contractor.engine.problem import Activity, Problem, Window
from contractor.engine.timeline import SharedTimeline, SingleTimeline, Timeline, merge_stretches
from contractor.engine.worktime import WorkCalendar

UNDER_WAY, PINNED, FROZEN, LEADS_TO_FIXED, OPEN = range(5)
"""Who is placed first. What must precede a fixed activity comes before what need not."""


class FitStretches(NamedTuple):
    """Where work that stops for no long pause may start, as indexes of working slots.

    One entry for each stretch between long pauses that holds the work: its first working slot,
    and the last from which the work ends within it. `cut_off` is the first working slot of a
    stretch that may go on where the axis ends; past all slots where none does. A pause of up to
    `longest_pause` slots is not long.
    """

    longest_pause: int
    opens: tuple[int, ...]
    last_starts: tuple[int, ...]
    cut_off: int


@dataclass(frozen=True, slots=True)
class FitMode:
    """A mode with its calendar's tables and the units it takes of each resource."""

    index: int
    crew: int | None
    work: int
    before: Sequence[int]
    slot_of: Sequence[int]
    total: int
    uses: tuple[tuple[int, int], ...]
    stretches: FitStretches | None
    """None where no pause is too long for it."""


@dataclass(frozen=True, slots=True)
class FitWindows:
    """Windows in order, none inside another, so both rows rise."""

    opens: tuple[int, ...]
    closes: tuple[int, ...]


class Leader(NamedTuple):
    """One link into an activity, with its wait's table if it has one."""

    activity: int
    start_to_start: bool
    table: Sequence[int] | None
    link: int


@dataclass(frozen=True, slots=True)
class Prepared:
    """Rows by activity, unless the name says otherwise."""

    size: int
    axis_slots: int
    change_crew_slots: int
    float_slots: int
    modes: tuple[tuple[FitMode, ...], ...]
    windows: tuple[FitWindows | None, ...]
    leaders: tuple[tuple[Leader, ...], ...]
    followers: tuple[tuple[int, ...], ...]
    earliest: tuple[int, ...]
    rank: tuple[int, ...]
    wanted_start: tuple[int | None, ...]
    wanted_crew: tuple[int | None, ...]
    announced_start: tuple[int | None, ...]
    announced_crew: tuple[int | None, ...]
    announced: tuple[int, ...]
    """The activities that have been announced, by index."""
    job: tuple[int, ...]
    preferred_crew_by_job: tuple[int | None, ...]
    members_by_job: tuple[tuple[int, ...], ...]
    """The activities of each job, leaders before followers."""
    due_by_job: tuple[int | None, ...]
    weight_by_job: tuple[float, ...]
    begun_by_job: tuple[bool, ...]
    """Whether the site stands open already, so that nothing is gained by beginning later."""
    coverage_by_job: tuple[Mapping[int, int], ...]
    """By crew, the work of the job that it can do, each activity counted by its least mode."""
    capacity_by_resource: tuple[int, ...]
    blocked_by_resource: tuple[tuple[tuple[int, int], ...], ...]
    topological: tuple[int, ...]
    may_wait: tuple[bool, ...]
    """Whether its job may begin later than it could: what was told stays."""

    def timelines(self) -> list[Timeline]:
        """Return one timeline per resource that holds only its blocked stretches."""
        return [
            SingleTimeline(blocked) if capacity == 1 else SharedTimeline(capacity, blocked)
            for capacity, blocked in zip(
                self.capacity_by_resource, self.blocked_by_resource, strict=True
            )
        ]


# Keyed by identity and weak: a Prepared lives exactly as long as its problem.
_PREPARED: WeakKeyDictionary[Problem, Prepared] = WeakKeyDictionary()


def prepare(problem: Problem) -> Prepared:
    """Return the layout of `problem`, computed at the first call."""
    prepared = _PREPARED.get(problem)
    if prepared is None:
        prepared = _PREPARED[problem] = _build(problem)
    return prepared


def _build(problem: Problem) -> Prepared:
    activities = problem.activities
    leaders = _leaders(problem)
    followers: list[list[int]] = [[] for _ in activities]
    for after, row in enumerate(leaders):
        for leader in row:
            followers[leader.activity].append(after)
    topological = _topological(leaders, followers)
    rank = [_own_rank(activity, problem.freeze_until) for activity in activities]
    pauses = [_long_pauses(calendar, problem.longest_pause_slots) for calendar in problem.calendars]
    for i in reversed(topological):
        if rank[i] == OPEN and any(rank[after] < OPEN for after in followers[i]):
            rank[i] = LEADS_TO_FIXED
    wanted = [_wanted(activity, rank[i]) for i, activity in enumerate(activities)]
    begun = _begun(problem)
    told = [activity.announced for activity in activities]
    return Prepared(
        size=len(activities),
        axis_slots=problem.axis.slots,
        change_crew_slots=problem.change_crew_slots,
        float_slots=problem.float_slots,
        modes=tuple(_fit_modes(problem, activity, pauses) for activity in activities),
        windows=tuple(_fit_windows(activity.windows) for activity in activities),
        leaders=tuple(tuple(row) for row in leaders),
        followers=tuple(tuple(row) for row in followers),
        earliest=tuple(max(problem.now, activity.release) for activity in activities),
        rank=tuple(rank),
        wanted_start=tuple(start for _, start in wanted),
        wanted_crew=tuple(crew for crew, _ in wanted),
        announced_start=tuple(a.start if a else None for a in told),
        announced_crew=tuple(a.crew if a else None for a in told),
        announced=tuple(i for i, a in enumerate(told) if a),
        job=tuple(activity.job for activity in activities),
        preferred_crew_by_job=tuple(job.preferred_crew for job in problem.jobs),
        members_by_job=_members(problem, topological),
        due_by_job=tuple(job.due for job in problem.jobs),
        weight_by_job=tuple(job.weight for job in problem.jobs),
        begun_by_job=begun,
        coverage_by_job=_coverage(problem),
        capacity_by_resource=tuple(r.capacity for r in problem.resources),
        blocked_by_resource=tuple(merge_stretches(r.blocked) for r in problem.resources),
        topological=tuple(topological),
        may_wait=tuple(
            rank[i] == OPEN and told[i] is None and not begun[activity.job]
            for i, activity in enumerate(activities)
        ),
    )


def _members(problem: Problem, topological: Sequence[int]) -> tuple[tuple[int, ...], ...]:
    members: list[list[int]] = [[] for _ in problem.jobs]
    for i in topological:
        members[problem.activities[i].job].append(i)
    return tuple(tuple(row) for row in members)


def _begun(problem: Problem) -> tuple[bool, ...]:
    """Return whether each job is said to have begun, or has work that should have by now."""
    begun = [job.begun for job in problem.jobs]
    for activity in problem.activities:
        told = activity.announced
        if activity.under_way or (told is not None and told.start < problem.now):
            begun[activity.job] = True
    return tuple(begun)


def _coverage(problem: Problem) -> tuple[dict[int, int], ...]:
    coverage: list[dict[int, int]] = [{} for _ in problem.jobs]
    for activity in problem.activities:
        by_crew = coverage[activity.job]
        least = min((mode.work_slots for mode in activity.modes), default=0)
        for crew in {mode.crew for mode in activity.modes if mode.crew is not None}:
            by_crew[crew] = by_crew.get(crew, 0) + least
    return tuple(coverage)


def _leaders(problem: Problem) -> list[list[Leader]]:
    """Return the links that hold each activity; work under way is held by none."""
    tables = [wait.table.data for wait in problem.waits]
    leaders: list[list[Leader]] = [[] for _ in problem.activities]
    for index, link in enumerate(problem.links):
        if not problem.activities[link.after].under_way:
            table = None if link.wait is None else tables[link.wait]
            leaders[link.after].append(Leader(link.before, link.start_to_start, table, index))
    return leaders


def _topological(leaders: list[list[Leader]], followers: list[list[int]]) -> list[int]:
    missing = [len(row) for row in leaders]
    order = [i for i, count in enumerate(missing) if count == 0]
    for i in order:
        for after in followers[i]:
            missing[after] -= 1
            if missing[after] == 0:
                order.append(after)
    return order


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


def _long_pauses(calendar: WorkCalendar, longest: int | None) -> tuple[int, ...]:
    """Return the index of the working slot that follows each pause longer than `longest`."""
    if longest is None:
        return ()
    idle = np.diff(calendar.slot_of) - 1
    return tuple((np.flatnonzero(idle > longest) + 1).tolist())


def _fit_stretches(
    calendar: WorkCalendar, pauses: Sequence[int], work: int, longest: int | None
) -> FitStretches | None:
    """Return where the work may start; None where nothing can break it."""
    if longest is None or not pauses or not work:
        return None
    held = [
        (opens, closes - work)
        for opens, closes in pairwise((0, *pauses, calendar.total))
        if closes - opens >= work
    ]
    idle_at_end = calendar.slots - 1 - calendar.slot_of[-1]
    return FitStretches(
        longest_pause=longest,
        opens=tuple(opens for opens, _ in held),
        last_starts=tuple(last for _, last in held),
        cut_off=pauses[-1] if idle_at_end <= longest else calendar.total,
    )


def _fit_modes(
    problem: Problem, activity: Activity, pauses: Sequence[Sequence[int]]
) -> tuple[FitMode, ...]:
    longest = None if activity.under_way else problem.longest_pause_slots
    rows = []
    for index, mode in enumerate(activity.modes):
        calendar = problem.calendars[mode.calendar]
        uses = Counter(mode.machines)
        crew = () if mode.crew is None else ((mode.crew, 1),)
        rows.append(
            FitMode(
                index=index,
                crew=mode.crew,
                work=mode.work_slots,
                before=calendar.before,
                slot_of=calendar.slot_of,
                total=calendar.total,
                uses=crew + tuple(uses.items()) if mode.work_slots else (),
                stretches=_fit_stretches(calendar, pauses[mode.calendar], mode.work_slots, longest),
            )
        )
    return tuple(rows)


def _fit_windows(windows: Sequence[Window]) -> FitWindows | None:
    if not windows:
        return None
    kept: list[Window] = []
    for window in sorted(windows, key=lambda w: (w.opens, -w.closes)):
        if not kept or window.closes > kept[-1].closes:
            kept.append(window)
    return FitWindows(tuple(w.opens for w in kept), tuple(w.closes for w in kept))
