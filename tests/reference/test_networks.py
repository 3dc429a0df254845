"""Our critical path against a textbook network and against networkx."""

import itertools
import random

import networkx
import pytest

from contractor.trade.network import (
    earliest_offsets,
    phase_timings,
    wait_hours,
)
from contractor.trade.phases import CureNeed, Follows, JobNetwork

# Activity: predecessors, weeks, ES, EF, LS, LF, slack.
RELIABLE = {
    "A": ("", 2, 0, 2, 0, 2, 0),
    "B": ("A", 4, 2, 6, 2, 6, 0),
    "C": ("B", 10, 6, 16, 6, 16, 0),
    "D": ("C", 6, 16, 22, 20, 26, 4),
    "E": ("C", 4, 16, 20, 16, 20, 0),
    "F": ("E", 5, 20, 25, 20, 25, 0),
    "G": ("D", 7, 22, 29, 26, 33, 4),
    "H": ("EG", 9, 29, 38, 33, 42, 4),
    "I": ("C", 7, 16, 23, 18, 25, 2),
    "J": ("FI", 8, 25, 33, 25, 33, 0),
    "K": ("J", 4, 33, 37, 34, 38, 1),
    "L": ("J", 5, 33, 38, 33, 38, 0),
    "M": ("H", 2, 38, 40, 42, 44, 4),
    "N": ("KL", 6, 38, 44, 38, 44, 0),
}


def _reliable() -> tuple[JobNetwork, dict[str, float]]:
    links = tuple(Follows(before, after) for after, row in RELIABLE.items() for before in row[0])
    durations = {code: float(row[1]) for code, row in RELIABLE.items()}
    return JobNetwork(phases=tuple(RELIABLE), follows=links), durations


@pytest.mark.parametrize("activity", RELIABLE)
def test_times_and_slack_of_the_textbook_network(activity):
    """Source: Hillier and Lieberman, Introduction to Operations Research, Reliable
    Construction Co. (from memory)."""
    network, durations = _reliable()

    timing = phase_timings(network, durations)[activity]

    found = (
        timing.earliest_start,
        timing.earliest_finish,
        timing.latest_start,
        timing.latest_finish,
        timing.total_float,
    )
    assert found == RELIABLE[activity][2:]


def test_the_textbook_network_takes_44_weeks_along_its_critical_path():
    """Source: the same; A-B-C-E-F-J-L-N, 44 weeks."""
    network, durations = _reliable()

    finish = max(end for _, end in earliest_offsets(network, durations).values())

    timings = phase_timings(network, durations)
    assert finish == 44
    assert "".join(code for code, timing in timings.items() if timing.critical) == "ABCEFJLN"


def _random_network(seed: int) -> tuple[JobNetwork, dict[str, float]]:
    rng = random.Random(seed)
    codes = [f"P{n}" for n in range(rng.randint(2, 14))]
    rng.shuffle(codes)
    links = tuple(
        Follows(
            before,
            after,
            start_to_start=rng.random() < 0.2,
            lag_hours=rng.choice((0, 0, 2, 24)),
            cure=CureNeed(0.4, "I", 48) if rng.random() < 0.1 else None,
        )
        for before, after in itertools.combinations(codes, 2)
        if rng.random() < 0.3
    )
    given_order = tuple(sorted(codes))
    return JobNetwork(given_order, links), {code: float(rng.randint(0, 30)) for code in codes}


@pytest.mark.parametrize("seed", range(40))
def test_finish_is_the_longest_path_that_networkx_finds(seed):
    """Source: networkx.dag_longest_path_length over an event graph built apart from our code."""
    network, durations = _random_network(seed)
    graph = networkx.DiGraph()
    for code in network.phases:
        graph.add_edge("begin", (code, "start"), weight=0)
        graph.add_edge((code, "start"), (code, "finish"), weight=durations[code])
    for link in network.follows:
        event = "start" if link.start_to_start else "finish"
        graph.add_edge((link.before, event), (link.after, "start"), weight=wait_hours(link))

    finish = max(end for _, end in earliest_offsets(network, durations).values())

    assert finish == networkx.dag_longest_path_length(graph)


@pytest.mark.parametrize("seed", range(40))
def test_each_start_is_the_longest_path_to_it(seed):
    """Source: networkx longest path in the graph of the phase's ancestors."""
    network, durations = _random_network(seed)
    graph = networkx.DiGraph()
    graph.add_nodes_from(network.phases)
    for link in network.follows:
        span = 0.0 if link.start_to_start else durations[link.before]
        graph.add_edge(link.before, link.after, weight=span + wait_hours(link))

    offsets = earliest_offsets(network, durations)

    for code in network.phases:
        above = graph.subgraph({code, *networkx.ancestors(graph, code)})
        assert offsets[code][0] == networkx.dag_longest_path_length(above)
