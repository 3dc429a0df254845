"""An independent check of a schedule against every rule of its problem.

Shares no code with the decoder, on purpose: working time is counted on the calendar's own row of
slots, occupation by one sweep over all starts and finishes, and links from the tables as given.
What holds for most is judged for all activities at once; texts are made only for what is at fault.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence

import numpy as np

from contractor.engine.check_reasons import check_reasons
from contractor.engine.check_rows import (
    NOBODY,
    Flags,
    Rows,
    Slots,
    Violation,
    column,
    column_or_nobody,
    used,
)
from contractor.engine.problem import Problem, Window
from contractor.engine.schedule import Bind, Placed, Schedule

__all__ = ["Violation", "check"]


def check(problem: Problem, schedule: Schedule) -> tuple[Violation, ...]:
    """Return all violations of `schedule`, none if it is sound.

    Rules: missing, mode, past, release, work_time, finish, pause, window, frozen, because, flow,
    link, overlap, under_way, pin, unplanned.
    """
    if len(schedule.placed) != len(problem.activities):
        count = f"{len(schedule.placed)} places for {len(problem.activities)} activities"
        return (Violation("missing", None, count),)
    violations = list(_check_listing(problem, schedule))
    sound, unsound = _well_formed(problem, schedule)
    for placed in unsound:
        violations += _check_form(problem, *placed)
    rows = Rows(problem, sound)
    violations += _check_earliest(problem, rows)
    violations += _check_work(problem, rows)
    violations += _check_pauses(problem, rows)
    violations += _check_windows(problem, rows)
    violations += _check_freeze(problem, rows)
    violations += check_reasons(problem, rows)
    violations += _check_links(problem, schedule, rows)
    violations += _check_resources(problem, rows)
    violations += _check_under_way(problem, rows)
    violations += _check_pins(problem, schedule, rows)
    return tuple(violations)


def _check_listing(problem: Problem, schedule: Schedule) -> Iterator[Violation]:
    """Every activity is placed, or unplanned with a reason, and never both."""
    size = len(problem.activities)
    for entry in schedule.unplanned:
        if not 0 <= entry.activity < size:
            yield Violation("unplanned", None, f"there is no activity {entry.activity}")
        elif not entry.reason.strip():
            yield Violation("unplanned", entry.activity, "unplanned without a reason")
    listed = [e.activity for e in schedule.unplanned if 0 <= e.activity < size]
    times = np.bincount(column(listed), minlength=size)
    placed = np.array([place is not None for place in schedule.placed], dtype=np.bool_)
    for i in np.flatnonzero((placed == (times > 0)) | (times > 1)).tolist():
        key = problem.activities[i].key
        if not placed[i] and times[i] == 0:
            yield Violation("missing", i, f"{key} is neither placed nor unplanned")
        if placed[i] and times[i] > 0:
            yield Violation("unplanned", i, f"{key} is placed and unplanned at once")
        if times[i] > 1:
            yield Violation("unplanned", i, f"{key} is unplanned {times[i]} times")
    yield from _check_left_out(problem, schedule)


def _check_left_out(problem: Problem, schedule: Schedule) -> Iterator[Violation]:
    """Only what nobody can do, fits no window or waits for such work goes without a place."""
    left_out = {i for i, placed in enumerate(schedule.placed) if placed is None}
    if not left_out:
        return
    held = {link.after for link in problem.links if link.before in left_out}
    for i in sorted(left_out):
        activity = problem.activities[i]
        waits = i in held and not activity.under_way
        if activity.modes and not activity.windows and not waits:
            yield Violation("unplanned", i, f"{activity.key} is unplanned, though nothing holds it")


def _well_formed(
    problem: Problem, schedule: Schedule
) -> tuple[list[Placed], list[tuple[int, Placed]]]:
    """Return the entries that can be judged further, and the others with their activity."""
    entries = [(i, placed) for i, placed in enumerate(schedule.placed) if placed is not None]
    own = column([i for i, _ in entries])
    modes = column([len(problem.activities[i].modes) for i, _ in entries])
    named, mode, start, finish = (
        column(values)
        for values in (
            [placed.activity for _, placed in entries],
            [placed.mode for _, placed in entries],
            [placed.start for _, placed in entries],
            [placed.finish for _, placed in entries],
        )
    )
    on_axis = (start >= 0) & (start <= finish) & (finish <= problem.axis.slots)
    sound = (named == own) & (mode >= 0) & (mode < modes) & on_axis
    return (
        [entries[k][1] for k in np.flatnonzero(sound).tolist()],
        [entries[k] for k in np.flatnonzero(~sound).tolist()],
    )


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


def _check_earliest(problem: Problem, rows: Rows) -> Iterator[Violation]:
    """Nothing starts in the past or before its release."""
    for placed, activity, _ in rows.named(rows.start < problem.now):
        text = f"{activity.key} starts at {placed.start}, now is {problem.now}"
        yield Violation("past", placed.activity, text)
    release = column([activity.release for activity in rows.activities])
    for placed, activity, _ in rows.named(rows.start < release):
        text = f"{activity.key} starts at {placed.start}, released at {activity.release}"
        yield Violation("release", placed.activity, text)


def _check_work(problem: Problem, rows: Rows) -> Iterator[Violation]:
    """Work starts and ends in working time and takes as many working slots as its mode says."""
    begins, ends = np.zeros((2, rows.start.size), dtype=np.bool_)
    done = np.zeros_like(rows.work)
    calendars = column([mode.calendar for mode in rows.modes])
    for each in np.unique(calendars).tolist():
        at = np.flatnonzero(calendars == each)
        # One slot more than the axis has, and never worked: what starts at its end is at fault, and
        # looking one slot back from nothing finds it too.
        working = np.append(problem.calendars[each].working, False)
        counted = np.concatenate(([0], np.cumsum(working)))
        begins[at], ends[at] = working[rows.start[at]], working[rows.finish[at] - 1]
        done[at] = counted[rows.finish[at]] - counted[rows.start[at]]
    for placed, activity, _ in rows.named(~begins):
        text = f"{activity.key} starts at {placed.start}, outside working time"
        yield Violation("work_time", placed.activity, text)
    for placed, activity, mode in rows.named(done != rows.work):
        worked_slots = int(done[rows.row_of[placed.activity]])
        text = f"{activity.key} works {worked_slots} slots instead of {mode.work_slots}"
        yield Violation("finish", placed.activity, text)
    for placed, activity, _ in rows.named((done == rows.work) & (rows.finish > rows.start) & ~ends):
        text = f"{activity.key} ends at {placed.finish}, outside working time"
        yield Violation("finish", placed.activity, text)


def _check_pauses(problem: Problem, rows: Rows) -> Iterator[Violation]:
    """Work stops for no pause that is too long while a later stretch could hold all of it."""
    limit = problem.longest_pause_slots
    if limit is None:
        return
    for placed, activity, mode in rows.named(rows.finish - rows.start - rows.work > limit):
        working = problem.calendars[mode.calendar].working
        if activity.under_way or len(_stretches(working[placed.start : placed.finish], limit)) < 2:
            continue
        if max(_stretches(working[placed.start :], limit)) >= mode.work_slots:
            text = (
                f"{activity.key} from {placed.start} to {placed.finish} "
                f"stops for more than {limit} slots"
            )
            yield Violation("pause", placed.activity, text)


def _stretches(working: Flags, limit: int) -> list[int]:
    """Return the slots worked in each stretch between pauses of more than `limit` slots."""
    slots = np.flatnonzero(working)
    pauses = np.flatnonzero(np.diff(slots) - 1 > limit)
    edges = np.concatenate(([0], pauses + 1, [slots.size]))
    counted: list[int] = np.diff(edges).tolist()
    return counted


def _check_windows(problem: Problem, rows: Rows) -> Iterator[Violation]:
    """What has windows lies wholly inside one of them."""
    alike: dict[int, list[int]] = defaultdict(list)
    for row, activity in enumerate(rows.activities):
        if activity.windows:
            alike[id(activity.windows)].append(row)
    for found in alike.values():
        windows = rows.activities[found[0]].windows
        inside = _inside_a_window(windows, rows.start[found], rows.finish[found])
        for row in (found[k] for k in np.flatnonzero(~inside).tolist()):
            placed, activity = rows.placed[row], rows.activities[row]
            text = f"{activity.key} from {placed.start} to {placed.finish} fits no window"
            yield Violation("window", placed.activity, text)


def _inside_a_window(windows: Sequence[Window], start: Slots, finish: Slots) -> Flags:
    """Return whether each stretch lies wholly inside one of the windows.

    A window is over in the slot in which it closes, also for what takes no time.
    """
    opens, closes = column([w.opens for w in windows]), column([w.closes for w in windows])
    begun_inside = (opens <= start[:, None]) & (start[:, None] < closes)
    inside: Flags = np.any(begun_inside & (finish[:, None] <= closes), axis=1)
    return inside


def _check_freeze(problem: Problem, rows: Rows) -> Iterator[Violation]:
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


def _check_links(problem: Problem, schedule: Schedule, rows: Rows) -> Iterator[Violation]:
    """Nothing starts before its leaders and the waits behind them allow it."""
    links, activities = problem.links, problem.activities
    if not links:
        return
    before, after = column([link.before for link in links]), column([k.after for k in links])
    under_way = np.array([activity.under_way for activity in activities], dtype=np.bool_)
    left_out = np.array([placed is None for placed in schedule.placed], dtype=np.bool_)
    leader, follower = rows.row_of[before], rows.row_of[after]
    holds = (follower != NOBODY) & ~under_way[after]
    for k in np.flatnonzero(holds & left_out[before]).tolist():
        text = f"{activities[after[k]].key} is placed, though {activities[before[k]].key} is not"
        yield Violation("link", int(after[k]), text)
    held = np.flatnonzero(holds & (leader != NOBODY))
    begin = np.array([link.start_to_start for link in links], dtype=np.bool_)[held]
    wait = column_or_nobody([link.wait for link in links])[held]
    frees = np.where(begin, rows.start[leader[held]], rows.finish[leader[held]])
    for each in np.unique(wait[wait != NOBODY]).tolist():
        waits = wait == each
        frees[waits] = problem.waits[each].table[frees[waits]]
    starts = rows.start[follower[held]]
    for k in np.flatnonzero(starts < frees).tolist():
        leads, follows = activities[before[held[k]]], activities[after[held[k]]]
        text = f"{follows.key} starts at {starts[k]}, {leads.key} frees it at {frees[k]}"
        yield Violation("link", int(after[held[k]]), text)


def _check_resources(problem: Problem, rows: Rows) -> Iterator[Violation]:
    """At no time are more units in use than there are, and none while blocked."""
    works = (rows.start < rows.finish)[rows.used_by]
    resource, row = rows.used_resource[works], rows.used_by[works]
    start, finish = rows.start[row], rows.finish[row]
    for r, whole in enumerate(problem.resources):
        for begins, ends in whole.blocked:
            for k in np.flatnonzero((resource == r) & (start < ends) & (begins < finish)).tolist():
                key = rows.activities[row[k]].key
                text = f"{key} is on {whole.key}, blocked {begins} to {ends}"
                yield Violation("overlap", rows.placed[row[k]].activity, text)
    # At one and the same slot what ends gives its unit back before what starts takes one. The
    # changes of a resource add up to nothing, so one running sum serves all of them in turn.
    change = np.repeat(column([1, -1]), row.size)
    by, at, slot = np.tile(row, 2), np.tile(resource, 2), np.concatenate((start, finish))
    order = np.lexsort((by, change, slot, at))
    by, at, slot, change = by[order], at[order], slot[order], change[order]
    load = np.cumsum(change)
    capacity = column([whole.capacity for whole in problem.resources])
    for k in np.flatnonzero((change > 0) & (load > capacity[at])).tolist():
        text = (
            f"{problem.resources[at[k]].key} has {load[k]} at once from {slot[k]}, "
            f"with {rows.activities[by[k]].key}"
        )
        yield Violation("overlap", rows.placed[by[k]].activity, text)


def _check_under_way(problem: Problem, rows: Rows) -> Iterator[Violation]:
    """Work under way goes on at once; only what is under way too, or a blocking, delays it."""
    busy: dict[int, list[tuple[int, int, int]]] = defaultdict(list)
    going_on = [row for row, activity in enumerate(rows.activities) if activity.under_way]
    for row in going_on:
        for resource in used(rows.modes[row]):
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
            for resource in used(mode)
            for begins, ends in (
                *((b, e) for b, e, other in busy[resource] if other != row),
                *problem.resources[resource].blocked,
            )
        )
        fits = not activity.windows or _inside_a_window(
            activity.windows, column([start]), column([finish])
        )
        if not taken and fits:
            text = (
                f"{activity.key} is under way, could go on at {start}, waits until {placed.start}"
            )
            yield Violation("under_way", placed.activity, text)


def _check_pins(problem: Problem, schedule: Schedule, rows: Rows) -> Iterator[Violation]:
    """A pin is kept or reported as broken, and only broken ones are reported."""
    broken = {entry.activity for entry in schedule.broken_pins}
    pinned = {i: a.pin for i, a in enumerate(problem.activities) if a.pin and not a.under_way}
    for entry in schedule.broken_pins:
        if not entry.reason.strip():
            yield Violation("pin", entry.activity, "a pin is broken without a reason")
        if not 0 <= entry.activity < len(problem.activities):
            yield Violation("pin", None, f"there is no activity {entry.activity}")
        elif entry.activity not in pinned:
            text = f"{problem.activities[entry.activity].key} has no pin that could break"
            yield Violation("pin", entry.activity, text)
    for i, pin in pinned.items():
        row = int(rows.row_of[i])
        kept = (
            row != NOBODY
            and rows.placed[row].start == pin.start
            and pin.crew in (None, rows.modes[row].crew)
        )
        if kept == (i in broken):
            text = "kept, yet reported as broken" if kept else "broken, yet not reported"
            yield Violation("pin", i, f"the pin of {problem.activities[i].key} is {text}")
