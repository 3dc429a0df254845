import numpy as np
import pytest

from contractor.engine.greedy import (
    ANNOUNCED_STARTS,
    REPAIR,
    RIGHT_SHIFT,
    RULES,
    YIELDING,
    candidates,
    greedy,
    keeps_what_was_told,
)
from contractor.engine.objective import score
from contractor.engine.occupancy import new_state
from contractor.engine.passes import pass_into
from contractor.engine.prepared import Layout, prepare
from contractor.engine.problem import Announced, Job, Problem
from contractor.engine.worktime import HorizonExceeded
from tests.unit.engine.builders import AXIS, activity, problem


def test_the_promise_that_is_due_first_is_served_first():
    rows = [activity("a", work=96, job=0), activity("b", work=96, job=1)]

    best = greedy(problem(rows, jobs=(Job("late", due=960), Job("soon", due=96))))

    assert best.dates.start == [96, 0]


def test_the_heavier_promise_is_served_first_when_both_cannot_be_kept():
    rows = [activity("a", work=96, job=0), activity("b", work=96, job=1)]

    best = greedy(problem(rows, jobs=(Job("light", due=96), Job("heavy", due=96, weight=5.0))))

    assert best.dates.start == [96, 0]


def test_pushing_the_announced_plan_right_is_the_first_candidate():
    rows = [activity("a", announced=Announced(0, 40))]

    first = candidates(problem(rows))[0]

    assert (first.source, first.dates.start) == (RIGHT_SHIFT, [40])


def test_without_an_announced_plan_there_is_nothing_to_push():
    assert RIGHT_SHIFT not in [found.source for found in candidates(problem([activity("a")]))]


def test_no_candidate_beats_the_greedy_plan():
    rows = [activity(f"a{i}", work=20 + 7 * i, job=i) for i in range(6)]
    whole = problem(
        rows, jobs=tuple(Job(f"j{i}", due=96 - 9 * i, weight=1 + i % 3) for i in range(6))
    )

    best = greedy(whole).objective.total

    assert best == min(found.objective.total for found in candidates(whole))
    assert best < max(found.objective.total for found in candidates(whole))


def test_a_pass_is_given_up_once_its_late_jobs_cost_more_than_another_plan():
    rows = [activity(f"a{i}", work=96, job=i) for i in range(3)]
    late = prepare(problem(rows, jobs=tuple(Job(f"j{i}", due=96) for i in range(3))))
    on_time = prepare(problem(rows, jobs=tuple(Job(f"j{i}", due=960) for i in range(3))))

    def is_through(layout: Layout, at_most: float) -> bool:
        position = np.arange(3, dtype=np.int32)
        return pass_into(layout, new_state(layout), position, at_most=at_most)

    # One and two days late are 3,000; the days to the three finishes are 6, the open ones 3 x 4.
    assert is_through(late, 3018.5)
    assert not is_through(late, 3017.5)
    assert is_through(on_time, 0.0)


def test_an_axis_too_short_for_every_rule_raises_horizon_exceeded():
    rows = [activity("a", work=AXIS.slots - 1), activity("b", work=AXIS.slots - 1)]

    with pytest.raises(HorizonExceeded):
        greedy(problem(rows))


def test_a_job_of_no_weight_is_planned_too():
    best = greedy(problem([activity("a")], jobs=(Job("j", due=0, weight=0.0),)))

    assert best.dates.start == [0]


def test_a_problem_without_activities_has_a_plan():
    assert greedy(problem([], jobs=())).objective.total == 0


def test_crews_yield_sooner_only_where_every_plan_would_break_a_promise():
    rows = [activity("a", work=96, job=0), activity("b", work=96, job=1)]
    tight = problem(rows, jobs=(Job("a", due=96), Job("b", due=96)), change_crew_slots=480)
    easy = problem(rows, jobs=(Job("a", due=960), Job("b", due=960)), change_crew_slots=480)

    def yielding(whole: Problem) -> list[str]:
        return [found.source for found in candidates(whole) if found.source.endswith(YIELDING)]

    assert "due date" + YIELDING in yielding(tight)
    assert yielding(easy) == []


def test_work_that_waits_for_a_late_delivery_lets_others_keep_their_dates():
    rows = [
        activity("waits", job=0, work=40, release=400, announced=Announced(0, 40)),
        activity("ready", job=1, work=40, announced=Announced(0, 80)),
    ]
    whole = problem(rows, jobs=(Job("waits", due=480), Job("ready", due=120)))

    by_source = {found.source: found for found in candidates(whole)}

    shifted, overtaken = by_source[RIGHT_SHIFT], by_source[ANNOUNCED_STARTS]
    assert shifted.dates.start[1] > 400
    assert overtaken.dates.start == [400, 80]
    assert overtaken.objective.total < shifted.objective.total


def test_of_equal_plans_the_first_is_taken_and_that_moves_least():
    rows = [activity("a", announced=Announced(0, 0)), activity("b", job=1)]

    whole = problem(rows)
    best = greedy(whole)

    assert best.source == RIGHT_SHIFT
    assert best.objective.total == pytest.approx(
        max(found.objective.total for found in candidates(whole))
    )


def test_every_rule_has_its_candidate_and_every_candidate_its_own_dates_and_price():
    rows = [activity("a", announced=Announced(0, 40)), activity("b", job=1, work=96)]
    whole = problem(rows, jobs=(Job("a", due=500), Job("b", due=500)))

    found = {candidate.source: candidate for candidate in candidates(whole)}

    assert set(RULES) | {REPAIR, ANNOUNCED_STARTS} < set(found)
    # One state serves all passes; what a candidate says must not change with the next pass.
    assert all(each.objective == score(whole, each.dates) for each in found.values())
    assert found["due date"].dates.start != found[RIGHT_SHIFT].dates.start


def test_a_pass_that_keeps_what_was_told_begins_nothing_earlier():
    rows = [activity(f"a{i}", job=i, announced=Announced(0, 400 - 96 * i)) for i in range(3)]

    for found in candidates(problem(rows)):
        if keeps_what_was_told(found.source):
            assert found.dates.start == [400, 304, 208]
        assert found.source not in (RIGHT_SHIFT, REPAIR) or keeps_what_was_told(found.source)


def test_a_repair_beats_pushing_right_where_only_one_must_move():
    rows = [
        activity("late", job=0, work=40, release=130, announced=Announced(0, 40)),
        activity("next", job=1, work=40, announced=Announced(0, 80)),
        activity("last", job=2, work=40, announced=Announced(0, 120)),
    ]
    jobs = (Job("late"), Job("next", due=120), Job("last", due=192))

    found = {each.source: each for each in candidates(problem(rows, jobs=jobs))}

    assert found[REPAIR].dates.start == [160, 80, 120]
    assert found[REPAIR].objective.total < found[RIGHT_SHIFT].objective.total
