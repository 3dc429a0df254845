"""A portfolio in the middle of its work is the same work, less what is done."""

import pytest

from contractor.engine.check import check
from contractor.engine.decode import decode
from contractor.engine.worktime import SLOTS_PER_DAY
from tests.bench.portfolio_changes import (
    Announcement,
    done_early,
    nothing_new,
    pinned_later,
    told_start,
    trusses_late,
)
from tests.bench.portfolio_crews import synthetic_portfolio
from tests.bench.portfolio_first_come import first_come_plan
from tests.bench.portfolio_told import moved, must_move


@pytest.fixture(scope="module")
def world() -> Announcement:
    problem = synthetic_portfolio(jobs=8, crews=3)
    return Announcement(problem, first_come_plan(problem), 10 * SLOTS_PER_DAY)


def test_what_ended_is_done_and_what_began_has_the_work_that_is_left(world):
    problem = nothing_new(world)

    left = [place for place in world.schedule.placed if place.finish > world.now]
    assert len(problem.activities) == len(left) < len(world.schedule.placed)
    under_way = [activity.under_way for activity in problem.activities]
    assert under_way == [place.start < world.now for place in left]
    assert any(under_way)


def test_going_on_as_announced_keeps_every_start(world):
    problem = nothing_new(world)
    order = sorted(
        range(len(problem.activities)), key=lambda i: (told_start(problem.activities[i]), i)
    )
    crews = {
        i: activity.announced.crew
        for i, activity in enumerate(problem.activities)
        if activity.announced.crew is not None
    }

    schedule = decode(problem, order, crew_choice=crews, right_shift=True)

    assert must_move(problem) == moved(problem, schedule) == 0
    assert check(problem, schedule) == ()


def test_late_trusses_must_move_what_follows_them_in_their_job_and_nothing_else(world):
    problem = trusses_late(world)

    held = [activity for activity in problem.activities if activity.release_why]
    assert [activity.key.split(":")[1] for activity in held] == ["trusses"]
    followers = sum(
        a.job == held[0].job and told_start(a) > held[0].announced.start for a in problem.activities
    )
    assert 1 <= must_move(problem) <= 1 + followers


def test_a_phase_reported_done_is_gone_and_makes_nothing_move(world):
    before, after = nothing_new(world), done_early(world)

    gone = {a.key for a in before.activities} - {a.key for a in after.activities}
    assert len(gone) == 1
    assert must_move(after) == 0


def test_a_pinned_phase_stays_on_its_crew_and_starts_two_days_later_or_more(world):
    (pinned,) = [activity for activity in pinned_later(world).activities if activity.pin]

    assert pinned.pin.crew == pinned.announced.crew
    assert pinned.pin.start >= pinned.announced.start + 2 * SLOTS_PER_DAY
    assert must_move(pinned_later(world)) >= 1
