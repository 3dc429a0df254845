"""An independent check of a schedule against every rule of its problem.

Shares no code with the decoder, on purpose: working time is counted slot by slot on the calendar's
row, occupation by one sweep over all starts and finishes, and links from the tables as given. What
holds for most is judged for all activities at once; texts are made only for what is at fault.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from contractor.engine.problem import Activity, Link, Mode, Problem
from contractor.engine.schedule import Because, Bind, Placed, Schedule

__all__ = ["Violation", "check"]

Slots = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Violation:
    """A rule that does not hold. `activity` is None where no single activity is at fault."""

    rule: str
    activity: int | None
    text: str


def check(problem: Problem, schedule: Schedule) -> tuple[Violation, ...]:
    """Return all violations of `schedule`, none if it is sound.

    Rules: missing, mode, past, release, work_time, finish, pause, window, frozen, because, flow,
    link, overlap, under_way, pin, unplanned.
    """
    if len(schedule.placed) != len(problem.activities):
        count = f"{len(schedule.placed)} places for {len(problem.activities)} activities"
        return (Violation("missing", None, count),)
    violations = list(_check_listing(problem, schedule))
    sound: list[Placed] = []
    for i, placed in enumerate(schedule.placed):
        if placed is not None:
            wrong = list(_check_form(problem, i, placed))
            violations += wrong
            if not wrong:
                sound.append(placed)
    rows = _Rows(problem, sound)
    violations += _check_earliest(problem, rows)
    violations += _check_work(problem, rows)
    violations += _check_pauses(problem, rows)
    violations += _check_windows(problem, rows)
    violations += _check_freeze(problem, rows)
    violations += _check_reasons(problem, rows)
    violations += _check_links(problem, schedule, rows)
    violations += _check_resources(problem, rows)
    violations += _check_under_way(problem, rows)
    violations += _check_pins(problem, schedule, rows)
    return tuple(violations)


class _Rows:
    """The places that are well formed, one row each, with what is compared as columns."""

    def __init__(self, problem: Problem, sound: Sequence[Placed]) -> None:
        self.placed = sound
        self.activities = [problem.activities[placed.activity] for placed in sound]
        self.modes = [
            activity.modes[placed.mode]
            for activity, placed in zip(self.activities, sound, strict=True)
        ]
        self.start = _column([placed.start for placed in sound])
        self.finish = _column([placed.finish for placed in sound])
        self.row_of = {placed.activity: row for row, placed in enumerate(sound)}
        """The row of an activity, for those that are well placed."""

    def named(self, rows: NDArray[np.bool_]) -> Iterator[tuple[Placed, Activity, Mode]]:
        """Yield those for which `rows` holds."""
        for row in np.flatnonzero(rows).tolist():
            yield self.placed[row], self.activities[row], self.modes[row]


def _column(values: Sequence[int]) -> Slots:
    return np.array(values, dtype=np.int64)


def _check_listing(problem: Problem, schedule: Schedule) -> Iterator[Violation]:
    """Every activity is placed, or unplanned with a reason, and never both."""
    times = [0] * len(problem.activities)
    for entry in schedule.unplanned:
        if not 0 <= entry.activity < len(times):
            yield Violation("unplanned", None, f"there is no activity {entry.activity}")
            continue
        times[entry.activity] += 1
        if not entry.reason.strip():
            yield Violation("unplanned", entry.activity, "unplanned without a reason")
    for i, placed in enumerate(schedule.placed):
        key = problem.activities[i].key
        if placed is None and times[i] == 0:
            yield Violation("missing", i, f"{key} is neither placed nor unplanned")
        if placed is not None and times[i] > 0:
            yield Violation("unplanned", i, f"{key} is placed and unplanned at once")
        if times[i] > 1:
            yield Violation("unplanned", i, f"{key} is unplanned {times[i]} times")
    yield from _check_left_out(problem, schedule)


def _check_left_out(problem: Problem, schedule: Schedule) -> Iterator[Violation]:
    """Only what nobody can do, fits no window or waits for such work goes without a place."""
    left_out = {i for i, placed in enumerate(schedule.placed) if placed is None}
    held = {link.after for link in problem.links if link.before in left_out}
    for i in sorted(left_out):
        activity = problem.activities[i]
        waits = i in held and not activity.under_way
        if activity.modes and not activity.windows and not waits:
            yield Violation("unplanned", i, f"{activity.key} is unplanned, though nothing holds it")


def _check_form(problem: Problem, i: int, placed: Placed) -> Iterator[Violation]:
    """The entry names its own activity, one of its modes, and a stretch of the axis."""
    if placed.activity != i:
        text = f"the place of {problem.activities[i].key} names activity {placed.activity}"
        yield Violation("missing", i, text)
    if not 0 <= placed.mode < len(problem.activities[i].modes):
        yield Violation("mode", i, f"{problem.activities[i].key} has no mode {placed.mode}")
    if not 0 <= placed.start <= placed.finish <= problem.axis.slots:
        text = f"{problem.activities[i].key} runs from {placed.start} to {placed.finish}"
        yield Violation("finish", i, text)


def _check_earliest(problem: Problem, rows: _Rows) -> Iterator[Violation]:
    """Nothing starts in the past or before its release."""
    for placed, activity, _ in rows.named(rows.start < problem.now):
        text = f"{activity.key} starts at {placed.start}, now is {problem.now}"
        yield Violation("past", placed.activity, text)
    release = _column([activity.release for activity in rows.activities])
    for placed, activity, _ in rows.named(rows.start < release):
        text = f"{activity.key} starts at {placed.start}, released at {activity.release}"
        yield Violation("release", placed.activity, text)


def _check_work(problem: Problem, rows: _Rows) -> Iterator[Violation]:
    """Work starts and ends in working time and takes as many working slots as its mode says."""
    # One slot more than the axis has, and never worked: what starts at its end is at fault, and
    # looking one slot back from nothing finds it too.
    worked = [np.append(calendar.working, False) for calendar in problem.calendars]
    own = [worked[mode.calendar] for mode in rows.modes]
    begins = np.array([w[p.start] for w, p in zip(own, rows.placed, strict=True)], dtype=np.bool_)
    ends = np.array([w[p.finish - 1] for w, p in zip(own, rows.placed, strict=True)], np.bool_)
    done = _column(
        [
            int(np.count_nonzero(w[p.start : p.finish]))
            for w, p in zip(own, rows.placed, strict=True)
        ]
    )
    asked = _column([mode.work_slots for mode in rows.modes])
    for placed, activity, _ in rows.named(~begins):
        text = f"{activity.key} starts at {placed.start}, outside working time"
        yield Violation("work_time", placed.activity, text)
    for placed, activity, mode in rows.named(done != asked):
        worked_slots = int(done[rows.row_of[placed.activity]])
        text = f"{activity.key} works {worked_slots} slots instead of {mode.work_slots}"
        yield Violation("finish", placed.activity, text)
    for placed, activity, _ in rows.named((done == asked) & (rows.finish > rows.start) & ~ends):
        text = f"{activity.key} ends at {placed.finish}, outside working time"
        yield Violation("finish", placed.activity, text)


def _check_pauses(problem: Problem, rows: _Rows) -> Iterator[Violation]:
    """Work stops for no pause that is too long while a later stretch could hold all of it."""
    limit = problem.longest_pause_slots
    if limit is None:
        return
    work = _column([mode.work_slots for mode in rows.modes])
    for placed, activity, mode in rows.named(rows.finish - rows.start - work > limit):
        working = problem.calendars[mode.calendar].working
        if activity.under_way or len(_stretches(working[placed.start : placed.finish], limit)) < 2:
            continue
        if max(_stretches(working[placed.start :], limit)) >= mode.work_slots:
            text = (
                f"{activity.key} from {placed.start} to {placed.finish} "
                f"stops for more than {limit} slots"
            )
            yield Violation("pause", placed.activity, text)


def _stretches(working: NDArray[np.bool_], limit: int) -> list[int]:
    """Return the slots worked in each stretch between pauses of more than `limit` slots."""
    slots = np.flatnonzero(working)
    pauses = np.flatnonzero(np.diff(slots) - 1 > limit)
    edges = np.concatenate(([0], pauses + 1, [slots.size]))
    counted: list[int] = np.diff(edges).tolist()
    return counted


def _check_windows(problem: Problem, rows: _Rows) -> Iterator[Violation]:
    """What has windows lies wholly inside one of them."""
    for placed, activity in zip(rows.placed, rows.activities, strict=True):
        if activity.windows and not _inside_a_window(activity, placed.start, placed.finish):
            text = f"{activity.key} from {placed.start} to {placed.finish} fits no window"
            yield Violation("window", placed.activity, text)


def _inside_a_window(activity: Activity, start: int, finish: int) -> bool:
    return any(w.opens <= start and finish <= w.closes for w in activity.windows)


def _check_freeze(problem: Problem, rows: _Rows) -> Iterator[Violation]:
    """Nothing leaves its announced place inside the freeze without saying why."""
    for placed, activity, mode in zip(rows.placed, rows.activities, rows.modes, strict=True):
        told = activity.announced
        if told is None or told.start >= problem.freeze_until:
            continue
        if activity.pin or activity.under_way:
            continue
        kept = placed.start == told.start and told.crew in (None, mode.crew)
        says_why = placed.because.kind is Bind.FROZEN and placed.because.why.strip()
        if not kept and not says_why:
            text = f"{activity.key} moves inside the freeze without a reason"
            yield Violation("frozen", placed.activity, text)


def _check_reasons(problem: Problem, rows: _Rows) -> Iterator[Violation]:
    """What is said to bind a start can do so: it is no later, and has to do with the activity."""
    follows = {(link.before, link.after) for link in problem.links}
    for placed, activity, mode in zip(rows.placed, rows.activities, rows.modes, strict=True):
        i = placed.activity
        if not placed.because.why.strip():
            yield Violation("because", i, f"{activity.key} starts at {placed.start} without reason")
        for bound in (placed.because, *placed.bounds):
            if bound.slot > placed.start:
                text = (
                    f"{activity.key} starts at {placed.start}, "
                    f"though {bound.why!r} holds it until {bound.slot}"
                )
                yield Violation("because", i, text)
            elif bound.kind is Bind.LINK or (bound.activity, bound.resource) != (None, None):
                yield from _check_reason(problem, rows, i, mode, bound, follows)


def _check_reason(
    problem: Problem,
    rows: _Rows,
    i: int,
    mode: Mode,
    bound: Because,
    follows: set[tuple[int, int]],
) -> Iterator[Violation]:
    """A reason names a leader, a follower or a resource of the activity, and who is on that."""
    key, other = problem.activities[i].key, bound.activity
    if other is not None and not 0 <= other < len(problem.activities):
        yield Violation("because", i, f"{key} is bound by activity {other}, which is not there")
        return
    if bound.kind is Bind.FLOW and other is not None and (i, other) not in follows:
        text = f"{key} is held back for {problem.activities[other].key}, which does not follow it"
        yield Violation("flow", i, text)
    if bound.kind is Bind.LINK and (other is None or (other, i) not in follows):
        yield Violation("because", i, f"{key} is bound by a link that is not there: {bound.why}")
    if bound.resource is None:
        return
    if bound.resource not in _used(mode):
        yield Violation("because", i, f"{key} is bound by what it does not use: {bound.why}")
    elif other in rows.row_of and bound.resource not in _used(rows.modes[rows.row_of[other]]):
        text = f"{key} is bound by {problem.activities[other].key}, which is elsewhere"
        yield Violation("because", i, text)


def _check_links(problem: Problem, schedule: Schedule, rows: _Rows) -> Iterator[Violation]:
    """Nothing starts before its leaders and the waits behind them allow it."""
    by_wait: dict[int | None, list[Link]] = defaultdict(list)
    for link in problem.links:
        if link.after not in rows.row_of or problem.activities[link.after].under_way:
            continue
        if schedule.placed[link.before] is None:
            before, after = problem.activities[link.before], problem.activities[link.after]
            text = f"{after.key} is placed, though {before.key} is not"
            yield Violation("link", link.after, text)
        elif link.before in rows.row_of:
            by_wait[link.wait].append(link)
    for wait, links in by_wait.items():
        leaders = _column([rows.row_of[link.before] for link in links])
        begin = np.array([link.start_to_start for link in links], dtype=np.bool_)
        frees = np.where(begin, rows.start[leaders], rows.finish[leaders])
        if wait is not None:
            frees = problem.waits[wait].table[frees]
        starts = rows.start[_column([rows.row_of[link.after] for link in links])]
        for k in np.flatnonzero(starts < frees).tolist():
            before, after = (problem.activities[x] for x in (links[k].before, links[k].after))
            text = f"{after.key} starts at {starts[k]}, {before.key} frees it at {frees[k]}"
            yield Violation("link", links[k].after, text)


def _uses(rows: _Rows) -> list[tuple[int, int]]:
    """Return every use of a resource, as the resource and the row; one entry for each unit."""
    return [
        (resource, row)
        for row, (placed, mode) in enumerate(zip(rows.placed, rows.modes, strict=True))
        if placed.start < placed.finish
        for resource in _used(mode)
    ]


def _used(mode: Mode) -> tuple[int, ...]:
    """Return the resources of a mode, a machine as often as it is needed."""
    return mode.machines if mode.crew is None else (*mode.machines, mode.crew)


def _check_resources(problem: Problem, rows: _Rows) -> Iterator[Violation]:
    """At no time are more units in use than there are, and none while blocked."""
    uses = _column([number for use in _uses(rows) for number in use]).reshape(-1, 2)
    resource, row = uses[:, 0], uses[:, 1]
    start, finish = rows.start[row], rows.finish[row]
    for r, whole in enumerate(problem.resources):
        for begins, ends in whole.blocked:
            for k in np.flatnonzero((resource == r) & (start < ends) & (begins < finish)).tolist():
                key = rows.activities[row[k]].key
                text = f"{key} is on {whole.key}, blocked {begins} to {ends}"
                yield Violation("overlap", rows.placed[row[k]].activity, text)
    # At one and the same slot what ends gives its unit back before what starts takes one. The
    # changes of a resource add up to nothing, so one running sum serves all of them in turn.
    change = np.repeat(_column([1, -1]), row.size)
    by, at, slot = np.tile(row, 2), np.tile(resource, 2), np.concatenate((start, finish))
    order = np.lexsort((by, change, slot, at))
    by, at, slot, change = by[order], at[order], slot[order], change[order]
    load = np.cumsum(change)
    capacity = _column([whole.capacity for whole in problem.resources])
    for k in np.flatnonzero((change > 0) & (load > capacity[at])).tolist():
        text = (
            f"{problem.resources[at[k]].key} has {load[k]} at once from {slot[k]}, "
            f"with {rows.activities[by[k]].key}"
        )
        yield Violation("overlap", rows.placed[by[k]].activity, text)


def _check_under_way(problem: Problem, rows: _Rows) -> Iterator[Violation]:
    """Work under way goes on at once; only what is under way too, or a blocking, delays it."""
    busy: dict[int, list[tuple[int, int, int]]] = defaultdict(list)
    going_on = [row for row, activity in enumerate(rows.activities) if activity.under_way]
    for row in going_on:
        for resource in _used(rows.modes[row]):
            busy[resource].append((rows.placed[row].start, rows.placed[row].finish, row))
    for row in going_on:
        placed, activity, mode = rows.placed[row], rows.activities[row], rows.modes[row]
        working = np.flatnonzero(problem.calendars[mode.calendar].working)
        first = int(np.searchsorted(working, max(problem.now, activity.release)))
        if first >= working.size or working[first] >= placed.start:
            continue
        last = min(first + max(mode.work_slots, 1), working.size) - 1
        start, finish = int(working[first]), int(working[last]) + (mode.work_slots > 0)
        taken = any(
            begins < finish and start < ends
            for resource in _used(mode)
            for begins, ends in (
                *((b, e) for b, e, other in busy[resource] if other != row),
                *problem.resources[resource].blocked,
            )
        )
        if not taken and (not activity.windows or _inside_a_window(activity, start, finish)):
            text = (
                f"{activity.key} is under way, could go on at {start}, waits until {placed.start}"
            )
            yield Violation("under_way", placed.activity, text)


def _check_pins(problem: Problem, schedule: Schedule, rows: _Rows) -> Iterator[Violation]:
    """A pin is kept or reported as broken, and only broken ones are reported."""
    broken = {entry.activity for entry in schedule.broken_pins}
    for entry in schedule.broken_pins:
        if not entry.reason.strip():
            yield Violation("pin", entry.activity, "a pin is broken without a reason")
        if not 0 <= entry.activity < len(problem.activities):
            yield Violation("pin", None, f"there is no activity {entry.activity}")
    for i, activity in enumerate(problem.activities):
        if activity.pin is None or activity.under_way:
            if i in broken:
                yield Violation("pin", i, f"{activity.key} has no pin that could break")
            continue
        row = rows.row_of.get(i)
        kept = (
            row is not None
            and rows.placed[row].start == activity.pin.start
            and activity.pin.crew in (None, rows.modes[row].crew)
        )
        if kept == (i in broken):
            text = "kept, yet reported as broken" if kept else "broken, yet not reported"
            yield Violation("pin", i, f"the pin of {activity.key} is {text}")
