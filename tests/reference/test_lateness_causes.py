"""What lateness comes from, on networks so small that the answer is known by hand.

Calendars never close here, so that a day is 96 slots; spreads are nothing where an exact answer is
wanted. Sums are checked against days late counted from the draws themselves.
"""

from dataclasses import replace
from math import log
from random import Random

import numpy as np
import pytest

from contractor.engine.planner import plan, repair
from contractor.engine.problem import Job, Link, Mode, Problem
from contractor.engine.schedule import Schedule
from contractor.engine.simulate.chances import (
    ActivityChances,
    Chances,
    CrewChances,
    Gate,
    WeatherChances,
)
from contractor.engine.simulate.simulation import Simulated, simulate
from contractor.engine.stops import IterationStop
from jobs.services.lateness import days_late_by_cause
from jobs.services.lateness_way import Names
from tests.reference.engine_problems import random_problem
from tests.reference.test_engine_simulation import random_chances
from tests.unit.engine.builders import AXIS, activity, place, problem, wait_of

DAY = 96
SEED = 5
HALF_MORE = ActivityChances(log_mean=log(1.5))


def names(whole: Problem) -> Names:
    """Return a name for each index, so that an answer says which it is."""
    size = len(whole.activities)
    return Names(
        work=[f"PHASE:{i}" for i in range(size)],
        release=[f"SUPPLIER:{i}" for i in range(size)],
        visit=[f"AUTHORITY:{i}" for i in range(size)],
        link=[f"WAIT:{i}" for i in range(len(whole.links))],
        resource=[f"CREW:{r}" for r in range(len(whole.resources))],
    )


def draw(whole: Problem, chances: Chances, runs: int = 1) -> tuple[Schedule, Simulated]:
    schedule = repair(whole).schedule
    return schedule, simulate(whole, schedule, chances, runs=runs, seed=SEED)


def causes(
    whole: Problem, chances: Chances, runs: int = 1, *, late: int = 0
) -> list[dict[str, float]]:
    """Return the causes where every job was promised `late` slots before its planned finish."""
    schedule, _ = draw(whole, chances)
    due = [
        max(place(schedule, i).finish for i, row in enumerate(whole.activities) if row.job == job)
        - late
        for job in range(len(whole.jobs))
    ]
    promised = replace(whole, jobs=tuple(Job(f"j{n}", due=slot) for n, slot in enumerate(due)))
    schedule, drawn = draw(promised, chances, runs)
    return days_late_by_cause(
        promised, (promised, schedule), chances, drawn, seed=SEED, names=names(promised)
    )


def test_two_phases_that_take_longer_bear_what_each_took() -> None:
    whole = problem([activity("walls", work=4 * DAY), activity("roof", work=2 * DAY)], [(0, 1)])

    (found,) = causes(whole, Chances({0: HALF_MORE, 1: HALF_MORE}))

    # Half of four days, and half of two.
    assert found == pytest.approx({"PHASE:0": 2.0, "PHASE:1": 1.0})


def test_a_crew_that_took_longer_elsewhere_is_named() -> None:
    whole = problem(
        [activity("first", work=4 * DAY), activity("second", work=2 * DAY, job=1)], crews=1
    )

    first, second = causes(whole, Chances({0: HALF_MORE}))

    assert first == pytest.approx({"PHASE:0": 2.0})
    assert second == pytest.approx({"CREW:0": 2.0})


def test_a_promise_that_the_plan_cannot_keep_goes_back_to_the_busy_crew() -> None:
    whole = problem(
        [activity("first", work=4 * DAY), activity("second", work=2 * DAY, job=1)], crews=1
    )

    first, second = causes(whole, Chances(), late=DAY)

    # Nothing was waited for by the first: its promise was too short for its own work.
    assert first == pytest.approx({"PROMISE": 1.0})
    assert second == pytest.approx({"CREW:0": 1.0})


def test_a_supplier_who_is_late_is_named_on_the_next_job_as_well() -> None:
    whole = problem(
        [
            activity("trusses", work=2 * DAY, release=8 * DAY),
            activity("follows", work=2 * DAY),
            activity("next", work=2 * DAY, job=1),
        ],
        [(0, 1), Link(1, 2)],
        crews=2,
    )

    found = causes(whole, Chances({0: ActivityChances(late_chance=1.0, late_days=3.0)}), 400)

    for row in found:
        assert set(row) == {"SUPPLIER:0"}
        # Mean of an exponential of three days, told in whole days begun: 1 ÷ (1 − e^(−1/3)).
        assert row["SUPPLIER:0"] == pytest.approx(3.53, abs=0.5)


def test_days_lost_to_weather_are_weathers() -> None:
    lost = np.zeros(AXIS.slots // DAY + 1)
    lost[1:3] = 1.0
    weather = WeatherChances(
        np.arange(0, (len(lost) + 1) * DAY, DAY, dtype=np.int32), (Gate(lost),)
    )
    whole = problem([activity("roof", work=2 * DAY)])

    (found,) = causes(whole, Chances({0: ActivityChances(gate=0)}, weather=weather))

    assert found == pytest.approx({"WEATHER": 2.0})


def test_a_wait_that_grows_in_the_cold_is_the_waits() -> None:
    whole = problem(
        [activity("pour", work=DAY), activity("posts", work=DAY)],
        [Link(0, 1, wait=0)],
        waits=(wait_of(3 * DAY),),
    )
    colder = [np.asarray(wait_of(5 * DAY).table)] * 3

    (found,) = causes(whole, Chances(wait_variants={0: colder}))

    assert found == pytest.approx({"WAIT:0": 2.0})


def test_people_who_are_absent_and_visits_that_come_again_are_told_apart() -> None:
    whole = problem(
        [
            activity("frame", work=4 * DAY),
            activity("visit", modes=(Mode(None, 8, 0),)),
        ],
        [(0, 1)],
        waits=(wait_of(DAY),),
    )
    again = ActivityChances(fail_chance=0.5, rework_slots=DAY, again_wait=0)

    (short,) = causes(whole, Chances(by_resource={0: CrewChances(1.0, 0.5)}))
    (failed,) = causes(whole, Chances({1: again}), 200)

    # At half the people four days become eight.
    assert short == pytest.approx({"PEOPLE": 4.0})
    assert set(failed) == {"AUTHORITY:1"}


def test_two_branches_with_the_same_luck_bear_half_each() -> None:
    rows = [activity(f"branch {i}", work=10 * DAY, crews=(i,)) for i in range(2)]
    end = activity("end", work=1, crews=(2,))
    spread = ActivityChances(log_sd=0.2)
    whole = problem([*rows, end], [(0, 2), (1, 2)], crews=3)

    (found,) = causes(whole, Chances({0: spread, 1: spread}, job_share=0.0), 2000)

    # Of two alike the longer one holds the end, each as often: a criticality of one half
    # (Van Slyke 1963, from memory).
    assert found["PHASE:0"] / sum(found.values()) == pytest.approx(0.5, abs=0.04)
    assert set(found) == {"PHASE:0", "PHASE:1"}


@pytest.mark.parametrize("seed", range(12))
def test_the_days_of_all_causes_are_the_days_late_to_expect(seed: int) -> None:
    random = Random(seed)
    whole = random_problem(seed)
    chances = random_chances(whole, random)
    schedule = plan(whole, stop=IterationStop(0)).schedule
    drawn = simulate(whole, schedule, chances, runs=40, seed=SEED)

    found = days_late_by_cause(
        whole, (whole, schedule), chances, drawn, seed=SEED, names=names(whole)
    )

    end = whole.axis.slots
    for job, row in enumerate(whole.jobs):
        rows = [i for i, one in enumerate(whole.activities) if one.job == job]
        if not rows or row.due is None or any(schedule.placed[i] is None for i in rows):
            continue
        finishes = np.minimum(drawn.finishes[rows].max(axis=0), end).astype(float)
        expected = np.maximum(np.ceil((finishes - row.due) / DAY), 0).mean()
        assert sum(found[job].values()) == pytest.approx(expected)
