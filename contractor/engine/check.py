"""An independent check of a schedule against every rule of its problem.

Shares no code with the decoder, on purpose: working time is counted slot by slot on the calendar's
row, and occupation by sweeping over all starts and finishes of a resource.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from contractor.engine.problem import Activity, Mode, Problem
from contractor.engine.schedule import Bind, Placed, Schedule

__all__ = ["Violation", "check"]


@dataclass(frozen=True, slots=True)
class Violation:
    """A rule that does not hold. `activity` is None where no single activity is at fault."""

    rule: str
    activity: int | None
    text: str


def check(problem: Problem, schedule: Schedule) -> tuple[Violation, ...]:
    """Return all violations of `schedule`, none if it is sound.

    Rules: missing, mode, past, release, work_time, finish, pause, window, frozen, flow, link,
    overlap, pin, unplanned.
    """
    if len(schedule.placed) != len(problem.activities):
        count = f"{len(schedule.placed)} places for {len(problem.activities)} activities"
        return (Violation("missing", None, count),)
    violations = list(_check_listing(problem, schedule))
    sound: dict[int, Placed] = {}
    for i, placed in enumerate(schedule.placed):
        if placed is None:
            continue
        wrong = list(_check_form(problem, i, placed))
        violations += wrong
        if not wrong:
            sound[i] = placed
            violations += _check_alone(problem, i, placed)
    violations += _check_flow(problem, sound)
    violations += _check_links(problem, schedule, sound)
    violations += _check_resources(problem, sound)
    violations += _check_pins(problem, schedule, sound)
    return tuple(violations)


def _check_listing(problem: Problem, schedule: Schedule) -> Iterator[Violation]:
    """Every activity is placed, or unplanned with a reason, and never both."""
    listed = [entry.activity for entry in schedule.unplanned]
    for i, activity in enumerate(problem.activities):
        times = listed.count(i) if schedule.unplanned else 0
        if schedule.placed[i] is None and times == 0:
            yield Violation("missing", i, f"{activity.key} is neither placed nor unplanned")
        if schedule.placed[i] is not None and times > 0:
            yield Violation("unplanned", i, f"{activity.key} is placed and unplanned at once")
        if times > 1:
            yield Violation("unplanned", i, f"{activity.key} is unplanned {times} times")
    for entry in schedule.unplanned:
        if not entry.reason.strip():
            yield Violation("unplanned", entry.activity, "unplanned without a reason")


def _check_form(problem: Problem, i: int, placed: Placed) -> Iterator[Violation]:
    """The entry names its own activity, one of its modes, and a stretch of the axis."""
    key = problem.activities[i].key
    if placed.activity != i:
        yield Violation("missing", i, f"the place of {key} names activity {placed.activity}")
    if not 0 <= placed.mode < len(problem.activities[i].modes):
        yield Violation("mode", i, f"{key} has no mode {placed.mode}")
    if not 0 <= placed.start <= placed.finish <= problem.axis.slots:
        yield Violation("finish", i, f"{key} runs from {placed.start} to {placed.finish}")


def _check_alone(problem: Problem, i: int, placed: Placed) -> Iterator[Violation]:
    """What can be judged from the activity alone."""
    activity = problem.activities[i]
    if placed.start < problem.now:
        yield Violation("past", i, f"{activity.key} starts at {placed.start}, now is {problem.now}")
    if placed.start < activity.release:
        text = f"{activity.key} starts at {placed.start}, released at {activity.release}"
        yield Violation("release", i, text)
    yield from _check_work(problem, i, placed, activity.modes[placed.mode])
    if not activity.under_way:
        yield from _check_pause(problem, i, placed, activity.modes[placed.mode])
    if activity.windows and not _inside_a_window(activity, placed):
        text = f"{activity.key} from {placed.start} to {placed.finish} fits no window"
        yield Violation("window", i, text)
    if _moved_silently(problem, activity, placed):
        yield Violation("frozen", i, f"{activity.key} moves inside the freeze without a reason")


def _check_work(problem: Problem, i: int, placed: Placed, mode: Mode) -> Iterator[Violation]:
    key = problem.activities[i].key
    worked = problem.calendars[mode.calendar].working
    start, finish = placed.start, placed.finish
    if start == problem.axis.slots or not worked[start]:
        yield Violation("work_time", i, f"{key} starts at {start}, outside working time")
    done = sum(1 for slot in range(start, finish) if worked[slot])
    if done != mode.work_slots:
        yield Violation("finish", i, f"{key} works {done} slots instead of {mode.work_slots}")
    elif finish > start and not worked[finish - 1]:
        yield Violation("finish", i, f"{key} ends at {finish}, outside working time")


def _check_pause(problem: Problem, i: int, placed: Placed, mode: Mode) -> Iterator[Violation]:
    """Work stops for no pause that is too long while a later stretch could hold all of it."""
    limit = problem.longest_pause_slots
    if limit is None:
        return
    worked = problem.calendars[mode.calendar].working
    stops = len(_worked_between_pauses(worked[placed.start : placed.finish], limit)) > 1
    if stops and max(_worked_between_pauses(worked[placed.start :], limit)) >= mode.work_slots:
        text = (
            f"{problem.activities[i].key} from {placed.start} to {placed.finish} "
            f"stops for more than {limit} slots"
        )
        yield Violation("pause", i, text)


def _worked_between_pauses(worked: Iterable[np.bool_], limit: int) -> list[int]:
    """Return the slots worked in each stretch between pauses of more than `limit` slots."""
    stretches = [0]
    for works, run in groupby(worked):
        slots = sum(1 for _ in run)
        if works:
            stretches[-1] += slots
        elif slots > limit:
            stretches.append(0)
    return stretches


def _moved_silently(problem: Problem, activity: Activity, placed: Placed) -> bool:
    """Return whether the activity left its announced place inside the freeze without saying why."""
    told = activity.announced
    if told is None or told.start >= problem.freeze_until or activity.pin or activity.under_way:
        return False
    crew = activity.modes[placed.mode].crew
    kept = placed.start == told.start and told.crew in (None, crew)
    return not kept and (placed.because.kind is not Bind.FROZEN or not placed.because.why.strip())


def _inside_a_window(activity: Activity, placed: Placed) -> bool:
    return any(w.opens <= placed.start and placed.finish <= w.closes for w in activity.windows)


def _check_flow(problem: Problem, sound: dict[int, Placed]) -> Iterator[Violation]:
    """What is held back is held back for something that follows it, or for its job's begin."""
    follows = {(link.before, link.after) for link in problem.links}
    for i, placed in sound.items():
        toward = placed.because.activity
        if placed.because.kind is Bind.FLOW and toward is not None and (i, toward) not in follows:
            key, other = problem.activities[i].key, problem.activities[toward].key
            yield Violation("flow", i, f"{key} is held back for {other}, which does not follow it")


def _check_links(
    problem: Problem, schedule: Schedule, sound: dict[int, Placed]
) -> Iterator[Violation]:
    for link in problem.links:
        before, after = problem.activities[link.before], problem.activities[link.after]
        if after.under_way or link.after not in sound:
            continue
        if schedule.placed[link.before] is None:
            text = f"{after.key} is placed, though {before.key} is not"
            yield Violation("link", link.after, text)
        elif link.before in sound:
            leader = sound[link.before]
            frees = leader.start if link.start_to_start else leader.finish
            if link.wait is not None:
                frees = int(problem.waits[link.wait].table[frees])
            if sound[link.after].start < frees:
                text = (
                    f"{after.key} starts at {sound[link.after].start}, "
                    f"{before.key} frees it at {frees}"
                )
                yield Violation("link", link.after, text)


def _check_resources(problem: Problem, sound: dict[int, Placed]) -> Iterator[Violation]:
    """At no time are more units in use than there are, and none while blocked."""
    changes: dict[int, list[tuple[int, int, int]]] = defaultdict(list)
    for i, placed in sound.items():
        mode = problem.activities[i].modes[placed.mode]
        if placed.start == placed.finish:
            continue
        for resource in (*mode.machines, *(() if mode.crew is None else (mode.crew,))):
            changes[resource].append((placed.start, 1, i))
            changes[resource].append((placed.finish, -1, i))
            for begins, ends in problem.resources[resource].blocked:
                if placed.start < ends and begins < placed.finish:
                    text = (
                        f"{problem.activities[i].key} is on "
                        f"{problem.resources[resource].key}, blocked {begins} to {ends}"
                    )
                    yield Violation("overlap", i, text)
    for resource, rows in changes.items():
        load = 0
        for slot, change, i in sorted(rows):
            load += change
            if change > 0 and load > problem.resources[resource].capacity:
                text = (
                    f"{problem.resources[resource].key} has {load} at once from {slot}, "
                    f"with {problem.activities[i].key}"
                )
                yield Violation("overlap", i, text)


def _check_pins(
    problem: Problem, schedule: Schedule, sound: dict[int, Placed]
) -> Iterator[Violation]:
    """A pin is kept or reported as broken, and only broken ones are reported."""
    broken = {entry.activity for entry in schedule.broken_pins}
    for entry in schedule.broken_pins:
        if not entry.reason.strip():
            yield Violation("pin", entry.activity, "a pin is broken without a reason")
    for i, activity in enumerate(problem.activities):
        if activity.pin is None or activity.under_way:
            if i in broken:
                yield Violation("pin", i, f"{activity.key} has no pin that could break")
            continue
        placed = sound.get(i)
        kept = (
            placed is not None
            and placed.start == activity.pin.start
            and (activity.pin.crew in (None, activity.modes[placed.mode].crew))
        )
        if kept == (i in broken):
            text = "kept, yet reported as broken" if kept else "broken, yet not reported"
            yield Violation("pin", i, f"the pin of {activity.key} is {text}")
