import pytest

from contractor.engine.decode import decode
from contractor.engine.objective import days_late, objective
from contractor.engine.problem import Announced, Job, Pin
from tests.unit.engine.builders import activity, place, problem


def cost(rows, order=None, **more):
    whole = problem(rows, **more)
    return objective(whole, decode(whole, range(len(rows)) if order is None else order))


@pytest.mark.parametrize(
    ("finish", "days"), [(95, 0), (96, 0), (97, 1), (192, 1), (193, 2), (96 * 8, 7)]
)
def test_days_late_are_whole_days_after_the_promised_day_ends(finish, days):
    assert days_late(96, finish) == days


def test_a_late_job_counts_its_days_by_weight():
    found = cost([activity("a", work=200)], jobs=(Job("j", due=96, weight=3.0),))

    assert (found.late_weighted_days, found.late_jobs) == (6.0, 1)


def test_a_job_without_a_promise_is_never_late():
    assert cost([activity("a", work=2000)], jobs=(Job("j"),)).late_jobs == 0


def test_a_job_ends_with_its_last_activity():
    found = cost([activity("a", work=96), activity("b", work=96)], jobs=(Job("j", due=96),))

    assert (found.late_weighted_days, found.finish_days) == (1.0, 2.0)


def test_moves_count_whole_days_by_weight_and_less_than_a_day_is_free():
    rows = [
        activity("a", release=96 + 95, announced=Announced(0, 0, weight=2.0)),
        activity("b", crews=[1], release=50, announced=Announced(1, 0, weight=2.0)),
    ]

    assert cost(rows, crews=2).moved_days == 2.0


def test_a_move_inside_the_freeze_counts_from_four_hours_on():
    def frozen_moves(release, freeze_until):
        rows = [activity("a", release=release, announced=Announced(0, 4))]
        return cost(rows, freeze_until=freeze_until).frozen_moves

    assert frozen_moves(release=4 + 15, freeze_until=10) == 0
    assert frozen_moves(release=4 + 16, freeze_until=10) == 1
    assert frozen_moves(release=4 + 16, freeze_until=4) == 0


def test_another_crew_inside_the_freeze_counts_though_the_start_is_kept():
    rows = [activity("a", crews=[1], announced=Announced(0, 4))]

    assert cost(rows, crews=2, freeze_until=10).frozen_moves == 1


def test_a_start_inside_the_freeze_is_kept_to_the_quarter_hour_though_a_small_move_is_free():
    rows = [activity("a", announced=Announced(0, 4)), activity("b", work=3)]
    whole = problem(rows, freeze_until=10)

    assert place(decode(whole, [1, 0]), 0).start == 4


def test_another_crew_than_announced_is_a_crew_change():
    assert cost([activity("a", crews=[1], announced=Announced(0, 0))], crews=2).crew_changes == 1


def test_each_crew_of_a_job_beyond_one_is_extra():
    rows = [activity("a", crews=[0]), activity("b", crews=[1]), activity("c", crews=[1], job=1)]

    assert cost(rows, crews=2).extra_crews == 1


def test_a_crew_other_than_the_preferred_one_is_extra():
    rows = [activity("a", crews=[1])]

    assert cost(rows, crews=2, jobs=(Job("j", preferred_crew=0),)).extra_crews == 1


def test_broken_pins_and_unplanned_activities_are_counted():
    rows = [activity("a", release=5, pin=Pin(0, 0)), activity("b", modes=(), pin=Pin(0, 50))]

    found = cost(rows)

    assert (found.broken_pins, found.unplanned) == (2, 1)


def test_the_total_rises_with_every_part():
    base = cost([activity("a", announced=Announced(0, 0))], crews=2).total

    assert cost([activity("a", release=200, announced=Announced(0, 0))], crews=2).total > base
    assert cost([activity("a", crews=[1], announced=Announced(0, 0))], crews=2).total > base
    assert cost([activity("a", work=5, announced=Announced(0, 0))], crews=2).total > base
