"""Whatever is done to a sound plan: the check finds it exactly when a plain count does.

The plain count goes slot by slot through the whole axis, as nobody would do it for a real plan.
"""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from contractor.engine.check import check
from contractor.engine.decode import decode
from contractor.engine.problem import Activity, Link, Problem
from contractor.engine.schedule import Placed, Schedule
from tests.property.engine_strategies import RELAXED, problems

DATES = {"past", "release", "work_time", "finish", "window", "link", "overlap", "mode"}


@st.composite
def disturbed(draw: st.DrawFn) -> tuple[Problem, Schedule]:
    """A random plan in which one or two places are another than decoded."""
    problem = draw(problems())
    schedule = decode(problem, range(len(problem.activities)))
    rows = list(schedule.placed)
    there = [i for i, placed in enumerate(rows) if placed is not None]
    for i in draw(st.lists(st.sampled_from(there), max_size=2)) if there else ():
        placed = rows[i]
        assert placed is not None
        by, longer = draw(st.integers(-30, 30)), draw(st.sampled_from([0, 0, 0, -1, 1, 14]))
        modes = len(problem.activities[i].modes)
        rows[i] = replace(
            placed,
            mode=draw(st.sampled_from([placed.mode, placed.mode, draw(st.integers(0, modes))])),
            start=placed.start + by,
            finish=placed.finish + by + longer,
        )
    return problem, replace(schedule, placed=tuple(rows))


@RELAXED
@given(disturbed())
def test_wrong_dates_are_found_exactly_when_a_plain_count_finds_them(
    given_: tuple[Problem, Schedule],
) -> None:
    problem, schedule = given_

    found = {violation.rule for violation in check(problem, schedule)}

    assert bool(found & DATES) == (not plainly_sound(problem, schedule))


@RELAXED
@given(disturbed(), st.data())
def test_a_place_left_out_in_silence_is_found(
    given_: tuple[Problem, Schedule], data: st.DataObject
) -> None:
    problem, schedule = given_
    i = data.draw(st.integers(0, len(problem.activities) - 1))
    rows = (*schedule.placed[:i], None, *schedule.placed[i + 1 :])
    listed = tuple(entry for entry in schedule.unplanned if entry.activity != i)

    found = check(problem, replace(schedule, placed=rows, unplanned=listed))

    assert ("missing", i) in {(violation.rule, violation.activity) for violation in found}


@RELAXED
@given(problems())
def test_a_reason_that_comes_after_its_start_is_found(problem: Problem) -> None:
    schedule = decode(problem, range(len(problem.activities)))
    for i, placed in enumerate(schedule.placed):
        if placed is not None:
            late = placed.because._replace(slot=placed.start + 1)
            rows = (
                *schedule.placed[:i],
                replace(placed, because=late),
                *schedule.placed[i + 1 :],
            )
            found = check(problem, replace(schedule, placed=rows))
            assert ("because", i) in {(violation.rule, violation.activity) for violation in found}


def plainly_sound(problem: Problem, schedule: Schedule) -> bool:
    """Return whether all dates hold, counted slot by slot."""
    places = {p.activity: p for p in schedule.placed if p is not None}
    rows = problem.activities
    return (
        all(alone(problem, rows[i], p) for i, p in places.items())
        and all(linked(problem, places, link) for link in problem.links)
        and all(held(problem, places, r) for r in range(len(problem.resources)))
    )


def alone(problem: Problem, activity: Activity, placed: Placed) -> bool:
    if placed.mode >= len(activity.modes) or not 0 <= placed.start <= placed.finish:
        return False
    mode = activity.modes[placed.mode]
    worked = [bool(w) for w in problem.calendars[mode.calendar].working]
    slots = range(placed.start, placed.finish)
    return (
        placed.start >= max(problem.now, activity.release)
        and worked[placed.start]
        and sum(worked[slot] for slot in slots) == mode.work_slots
        and (placed.start == placed.finish or worked[placed.finish - 1])
        and (
            not activity.windows
            or any(w.opens <= placed.start and placed.finish <= w.closes for w in activity.windows)
        )
    )


def linked(problem: Problem, places: dict[int, Placed], link: Link) -> bool:
    before, after = places.get(link.before), places.get(link.after)
    if after is None or problem.activities[after.activity].under_way:
        return True
    if before is None:
        return False
    slot = before.start if link.start_to_start else before.finish
    wait = link.wait
    return after.start >= (slot if wait is None else int(problem.waits[wait].table[slot]))


def held(problem: Problem, places: dict[int, Placed], resource: int) -> bool:
    load = [0] * problem.axis.slots
    for i, placed in places.items():
        mode = problem.activities[i].modes[placed.mode]
        units = mode.machines.count(resource) + (mode.crew == resource)
        for slot in range(placed.start, placed.finish) if units else ():
            load[slot] += units
    whole = problem.resources[resource]
    return max(load) <= whole.capacity and not any(
        any(load[begins:ends]) for begins, ends in whole.blocked
    )
