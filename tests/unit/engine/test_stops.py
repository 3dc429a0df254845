"""When a search stops, and how much of its budget it has used by then."""

import pytest

from contractor.engine.stops import AnyStop, CancelStop, IterationStop, SecondsStop


class Clock:
    """A clock that stands until it is set."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def test_iterations_stop_at_the_limit_and_are_used_in_proportion():
    stop = IterationStop(200)

    assert [stop(n, 0.0) for n in (0, 199, 200, 201)] == [False, False, True, True]
    assert [stop.used(n) for n in (0, 50, 200, 300)] == [0, 0.25, 1, 1]


def test_no_iterations_at_all_stop_at_once():
    assert IterationStop(0)(0, 0.0)


def test_seconds_count_from_when_the_stop_was_made():
    clock = Clock()
    stop = SecondsStop(5.0, clock=clock)

    early = stop(0, 0.0)
    clock.now = 105.0

    assert (early, stop(1, 0.0)) == (False, True)


def test_seconds_are_used_in_proportion_and_never_more_than_all():
    clock = Clock()
    stop = SecondsStop(5.0, clock=clock)
    shares = []
    for clock.now in (100.0, 101.0, 105.0, 200.0):
        shares.append(stop.used(0))

    assert shares == pytest.approx([0, 0.2, 1, 1])
    assert stop.left() == -95.0


def test_no_seconds_at_all_are_used_up():
    stop = SecondsStop(0.0, clock=Clock())

    assert stop(0, 0.0)
    assert stop.used(0) == 1


def test_a_cancel_stops_when_asked_and_says_nothing_of_a_budget():
    asked = [False]
    stop = CancelStop(lambda: asked[0])

    before = stop(10, 0.0)
    asked[0] = True

    assert (before, stop(10, 0.0), stop.used(10)) == (False, True, 0)


def test_the_first_of_several_stops_and_the_most_used_budget_counts():
    clock = Clock()
    both = AnyStop((IterationStop(100), SecondsStop(10.0, clock=clock), CancelStop(lambda: False)))
    clock.now = 108.0

    assert both.used(50) == pytest.approx(0.8)
    assert both.used(90) == pytest.approx(0.9)
    assert not both(99, 0.0)
    assert both(100, 0.0)


def test_of_no_stops_none_ever_stops():
    assert not AnyStop(())(10**9, 0.0)
    assert AnyStop(()).used(10) == 0
