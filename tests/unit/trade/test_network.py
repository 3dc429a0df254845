import pytest

from contractor.trade.network import earliest_offsets, phase_timings
from contractor.trade.phases import CureNeed, Follows, JobNetwork


def test_a_phase_starts_when_the_last_of_its_predecessors_is_done():
    network = JobNetwork(("A", "B", "C"), (Follows("A", "C"), Follows("B", "C")))

    offsets = earliest_offsets(network, {"A": 3, "B": 5, "C": 2})

    assert offsets == {"A": (0, 3), "B": (0, 5), "C": (5, 7)}


def test_a_cure_counts_with_its_least_hours():
    network = JobNetwork(("A", "B"), (Follows("A", "B", cure=CureNeed(0.4, "I", 48)),))

    assert earliest_offsets(network, {"A": 8, "B": 1})["B"] == (56, 57)


def test_a_start_to_start_link_counts_from_the_start():
    network = JobNetwork(("A", "B"), (Follows("A", "B", start_to_start=True, lag_hours=4),))

    assert earliest_offsets(network, {"A": 20, "B": 2})["B"] == (4, 6)


def test_the_end_of_a_start_to_start_predecessor_has_float_to_the_finish():
    network = JobNetwork(("A", "B"), (Follows("A", "B", start_to_start=True, lag_hours=4),))

    timing = phase_timings(network, {"A": 2, "B": 10})["A"]

    assert timing.total_float == 0
    assert timing.critical


def test_free_float_is_the_gap_to_the_next_phase():
    network = JobNetwork(("A", "B", "C"), (Follows("A", "C"), Follows("B", "C")))

    timings = phase_timings(network, {"A": 3, "B": 5, "C": 2})

    assert (timings["A"].free_float, timings["B"].free_float) == (2, 0)
    assert [code for code, timing in timings.items() if timing.critical] == ["B", "C"]


def test_a_job_without_phases_has_no_times():
    assert phase_timings(JobNetwork((), ()), {}) == {}


@pytest.mark.parametrize("hours", [{}, {"A": -1}, {"A": float("nan")}, {"A": float("inf")}])
def test_every_phase_needs_its_hours(hours):
    with pytest.raises(ValueError, match=r"durations_hours\[A\]"):
        earliest_offsets(JobNetwork(("A",), ()), hours)


def test_a_link_to_a_phase_outside_the_job_is_refused():
    with pytest.raises(ValueError, match="B is not a phase of this job"):
        earliest_offsets(JobNetwork(("A",), (Follows("A", "B"),)), {"A": 1})


def test_a_loop_is_refused():
    network = JobNetwork(("A", "B"), (Follows("A", "B"), Follows("B", "A")))

    with pytest.raises(ValueError, match="in a loop"):
        earliest_offsets(network, {"A": 1, "B": 1})
