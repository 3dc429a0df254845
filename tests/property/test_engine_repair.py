"""After a small change nothing moves but what must: the plan that people know is repaired."""

from dataclasses import replace

from hypothesis import HealthCheck, assume, event, given, settings
from hypothesis import strategies as st

from contractor.engine import planner
from contractor.engine.check import check
from contractor.engine.greedy import REPAIR
from contractor.engine.objective import objective
from contractor.engine.problem import Announced, Link, Pin, Problem
from contractor.engine.schedule import Schedule
from tests.reference.engine_problems import (
    DAY,
    Place,
    announced,
    draw_problem,
    fit_together,
    frees,
    places_of,
    stretches,
    taken,
)
from tests.unit.engine.builders import activity, spans
from tests.unit.engine.builders import problem as builders_problem

RELAXED = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def told_problem(problem: Problem) -> Problem:
    """Return the problem with its first plan told to people, and no pins."""
    rows = tuple(replace(row, pin=None) for row in problem.activities)
    unpinned = replace(problem, activities=rows)
    return announced(unpinned, planner.plan(unpinned).schedule)


told_problems = st.randoms(use_true_random=False).map(draw_problem).map(told_problem)


def changed(problem: Problem, i: int, **changes: object) -> Problem:
    rows = list(problem.activities)
    rows[i] = replace(rows[i], **changes)
    return replace(problem, activities=tuple(rows))


@st.composite
def small_changes(draw: st.DrawFn) -> tuple[str, Problem]:
    """A told problem of which one fact is different: what it is, and the problem."""
    problem = draw(told_problems)
    open_rows = [i for i, row in enumerate(problem.activities) if not row.under_way]
    assume(open_rows)
    i = draw(st.sampled_from(open_rows))
    row = problem.activities[i]
    kind = draw(st.sampled_from(["late", "pinned", "longer", "untold", "blocked", "later now"]))
    if kind == "late":
        return kind, changed(
            problem, i, release=row.announced.start + draw(st.integers(1, 6 * DAY))
        )
    if kind == "pinned":
        mode = draw(st.integers(0, len(row.modes) - 1))
        start = draw(st.sampled_from(early_starts(problem, i, mode)))
        return kind, changed(problem, i, pin=Pin(row.modes[mode].crew, start))
    if kind == "longer":
        more = draw(st.integers(1, 40))
        modes = tuple(replace(m, work_slots=m.work_slots + more) for m in row.modes)
        return kind, changed(problem, i, modes=modes)
    if kind == "untold":
        return kind, changed(problem, i, announced=None)
    if kind == "later now":
        return kind, replace(problem, now=problem.now + draw(st.integers(1, 3 * DAY)))
    rows = list(problem.resources)
    r = draw(st.integers(0, len(rows) - 1))
    begins = draw(st.integers(0, 14 * DAY))
    away = (begins, begins + draw(st.integers(1, 3 * DAY)))
    rows[r] = replace(rows[r], blocked=(*rows[r].blocked, away))
    return kind, replace(problem, resources=tuple(rows))


@RELAXED
@given(told_problems)
def test_where_nothing_has_changed_nothing_moves(problem):
    found = planner.repair(problem)

    assert moved(problem, found.schedule) == []


@RELAXED
@given(small_changes())
def test_a_repaired_plan_is_sound_and_complete_and_priced(change):
    kind, problem = change
    event(kind)

    found = planner.repair(problem)

    assert found.schedule.unplanned == ()
    assert check(problem, found.schedule) == ()
    assert found.objective == objective(problem, found.schedule)


@RELAXED
@given(small_changes())
def test_nothing_that_moved_could_go_back_beside_all_others(change):
    kind, problem = change
    event(kind)

    schedule = planner.repair(problem).schedule

    assume(not schedule.broken_pins)
    places = places_of(schedule)
    gone = set(moved(problem, schedule))
    # Pinned counts as staying wherever it is.
    gone -= {i for i in gone if problem.activities[i].pin}
    could = {
        i
        for i in gone
        if not cannot_stay(problem, places, [j for j in range(len(places)) if j != i], i)
    }
    assert could == set(), f"{kind}: of those that moved, {sorted(gone)}"


@RELAXED
@given(told_problems, st.data())
def test_a_late_release_moves_no_other_job(problem, data):
    problem = replace(problem, links=within_jobs(problem))
    late = data.draw(st.integers(0, len(problem.activities) - 1))
    row = problem.activities[late]
    assume(not row.under_way)
    release = row.announced.start + data.draw(st.integers(1, 10 * DAY))
    delayed = changed(problem, late, release=release)

    gone = moved(delayed, planner.repair(delayed).schedule)

    assert late in gone
    assert {problem.activities[i].job for i in gone} == {row.job}


@RELAXED
@given(told_problems, st.data())
def test_a_pin_moves_only_what_it_displaces_and_what_follows_from_that(problem, data):
    problem = replace(problem, links=within_jobs(problem))
    at = data.draw(st.integers(0, len(problem.activities) - 1))
    row = problem.activities[at]
    assume(not row.under_way)
    mode = data.draw(st.integers(0, len(row.modes) - 1))
    start = data.draw(st.sampled_from(early_starts(problem, at, mode)))
    pinned = changed(problem, at, pin=Pin(row.modes[mode].crew, start))

    schedule = planner.repair(pinned).schedule

    assume(not schedule.broken_pins)
    pinned_place = places_of(schedule)[at]
    displaced = {
        other.job
        for i, other in enumerate(pinned.activities)
        if i != at and in_the_way(pinned, i, told_place(pinned, i), at, pinned_place)
    }
    gone = {problem.activities[i].job for i in moved(pinned, schedule)}
    assert gone <= displaced | {row.job}


def test_a_pin_that_cannot_be_kept_moves_no_other_job():
    rows = [
        activity("lead", work=10, release=300, announced=Announced(0, 300)),
        activity("pinned", work=10, pin=Pin(0, 100), announced=Announced(0, 310)),
        activity("other", job=1, announced=Announced(0, 100)),
    ]

    schedule = planner.repair(builders_problem(rows, [(0, 1)])).schedule

    assert [entry.activity for entry in schedule.broken_pins] == [1]
    assert spans(schedule)[2] == (100, 104)


@RELAXED
@given(small_changes())
def test_the_same_facts_give_the_same_repair(change):
    _, problem = change

    assert planner.repair(replace(problem)).schedule == planner.repair(problem).schedule


@RELAXED
@given(st.randoms(use_true_random=False).map(draw_problem))
def test_where_hardly_anything_is_told_a_repair_still_plans_all(problem):
    found = planner.repair(problem)

    assert found.schedule.unplanned == ()
    assert check(problem, found.schedule) == ()


def early_starts(problem: Problem, i: int, mode: int) -> list[int]:
    """Return the starts of half the axis, so that what a pin displaces still fits behind it."""
    return [start for start, _ in stretches(problem, i, mode) if start < problem.axis.slots // 2]


def told_place(problem: Problem, i: int) -> Place | None:
    """Return the place that people know, or None where it is not allowed even alone."""
    row = problem.activities[i]
    if row.under_way or row.announced is None:
        return None
    for m, mode in enumerate(row.modes):
        if mode.crew == row.announced.crew:
            starts = dict(stretches(problem, i, m))
            if row.announced.start in starts:
                return Place(m, row.announced.start, starts[row.announced.start])
    return None


def moved(problem: Problem, schedule: Schedule) -> list[int]:
    """Return what is not where it was told; a pin moves its activity on purpose."""
    gone = []
    for i, (row, place) in enumerate(zip(problem.activities, places_of(schedule), strict=True)):
        told = row.announced
        if (
            told
            and not row.under_way
            and ((place.start, row.modes[place.mode].crew) != (told.start, told.crew))
        ):
            gone.append(i)
    return gone


def cannot_stay(problem: Problem, places: list[Place], stays: list[int], i: int) -> bool:
    """Return whether the told place of `i` breaks a rule beside the places of all that stays."""
    told = told_place(problem, i)
    if told is None:
        return True
    put_back = [told if at == i else place for at, place in enumerate(places)]
    links = (
        link
        for link in problem.links
        if link.after == i or (link.before == i and link.after in stays)
    )
    return any(
        put_back[link.after].start < frees(problem, link, put_back)
        and not problem.activities[link.after].under_way
        for link in links
    ) or not fit_together(problem, {at: put_back[at] for at in (i, *stays)})


def in_the_way(problem: Problem, i: int, one: Place | None, j: int, other: Place) -> bool:
    """Return whether two places overlap and need the same crew or machine."""
    return (
        one is not None
        and one.start < other.finish
        and other.start < one.finish
        and not set(taken(problem, i, one)).isdisjoint(taken(problem, j, other))
    )


def within_jobs(problem: Problem) -> tuple[Link, ...]:
    rows = problem.activities
    return tuple(k for k in problem.links if rows[k.before].job == rows[k.after].job)


@RELAXED
@given(small_changes())
def test_keeping_what_was_told_ends_no_later_than_the_repair(change: tuple[str, Problem]) -> None:
    kind, problem = change
    repaired = planner.repair(problem)

    kept = planner.keep(problem)

    event(f"{kind}: {kept.source}")
    assert check(problem, kept.schedule) == ()
    assert objective(problem, kept.schedule) == kept.objective
    ends = (kept.objective.late_weighted_days, kept.objective.finish_days)
    assert ends <= (repaired.objective.late_weighted_days, repaired.objective.finish_days)
    assert kept.objective.total <= repaired.objective.total
    if kept.source == REPAIR:
        assert kept.schedule == repaired.schedule
