"""The decoder against longest paths by `networkx`, and against instances with known optimum."""

from math import inf
from random import Random

import networkx as nx
import pytest

from contractor.engine.bound import lower_bound
from contractor.engine.check import check
from contractor.engine.decode import decode
from contractor.engine.improve import IterationStop
from contractor.engine.planner import plan
from contractor.engine.problem import Job, Link, Mode, Problem, Resource
from tests.unit.engine.builders import activity, by_crew, place, problem, spans, wait_of

LAGS = (0, 3, 17)


def random_network(seed: int) -> Problem:
    """Return jobs of random phases with lags, finish-start and start-start, and crews for all."""
    random = Random(seed)
    size = random.randrange(5, 40)
    rows = [
        activity(
            f"a{i}", work=random.randrange(0, 30), crews=[i], release=random.choice([0, 0, 25])
        )
        for i in range(size)
    ]
    links = [
        Link(before, after, start_to_start=random.random() < 0.3, wait=random.randrange(len(LAGS)))
        for after in range(size)
        for before in range(after)
        if random.random() < 2.5 / size
    ]
    waits = tuple(wait_of(n, f"w{n}") for n in LAGS)
    # A job that has begun is never held back, so all its starts are earliest starts.
    return problem(rows, links, crews=size, waits=waits, jobs=(Job("j0", begun=True),))


def longest_path_starts(whole: Problem) -> list[int]:
    """Return earliest starts as longest distances from a source, by networkx."""
    graph = nx.DiGraph()
    graph.add_nodes_from(["source", *range(len(whole.activities))])
    for i, row in enumerate(whole.activities):
        graph.add_edge("source", i, length=row.release)
    for link in whole.links:
        work = 0 if link.start_to_start else whole.activities[link.before].modes[0].work_slots
        length = work + LAGS[link.wait or 0]
        known = graph.get_edge_data(link.before, link.after, {"length": -inf})["length"]
        graph.add_edge(link.before, link.after, length=max(length, known))
    # Shortest distances under negated lengths are the longest; there are no cycles.
    graph_of_costs = nx.DiGraph(
        (u, v, {"cost": -d["length"]}) for u, v, d in graph.edges(data=True)
    )
    distances = nx.single_source_bellman_ford_path_length(graph_of_costs, "source", weight="cost")
    return [-distances[i] for i in range(len(whole.activities))]


@pytest.mark.parametrize("seed", range(40))
def test_with_crews_for_all_starts_are_longest_paths(seed):
    whole = random_network(seed)

    schedule = decode(whole, range(len(whole.activities)))

    assert [place(schedule, i).start for i in range(len(whole.activities))] == (
        longest_path_starts(whole)
    )


@pytest.mark.parametrize("seed", range(10))
def test_the_bound_on_finish_days_is_the_longest_path(seed):
    whole = random_network(seed)

    ends = [
        start + row.modes[0].work_slots
        for start, row in zip(longest_path_starts(whole), whole.activities, strict=True)
    ]

    assert lower_bound(whole).finish_days == pytest.approx(max(ends) / 96)


# Activity: predecessors, weeks, earliest start and finish.
RELIABLE = {
    "A": ("", 2, 0, 2), "B": ("A", 4, 2, 6), "C": ("B", 10, 6, 16), "D": ("C", 6, 16, 22),
    "E": ("C", 4, 16, 20), "F": ("E", 5, 20, 25), "G": ("D", 7, 22, 29), "H": ("EG", 9, 29, 38),
    "I": ("C", 7, 16, 23), "J": ("FI", 8, 25, 33), "K": ("J", 4, 33, 37), "L": ("J", 5, 33, 38),
    "M": ("H", 2, 38, 40), "N": ("KL", 6, 38, 44),
}  # fmt: skip


def test_the_textbook_network_takes_44_weeks_by_its_earliest_starts():
    """Source: Hillier and Lieberman, Introduction to Operations Research, Reliable
    Construction Co. (from memory)."""
    codes = list(RELIABLE)
    rows = [activity(code, work=RELIABLE[code][1], crews=[n]) for n, code in enumerate(codes)]
    links = [
        (codes.index(before), codes.index(after))
        for after, row in RELIABLE.items()
        for before in row[0]
    ]
    jobs = (Job("Reliable", begun=True),)

    schedule = decode(problem(rows, links, crews=len(codes), jobs=jobs), range(len(codes)))

    assert spans(schedule) == [row[2:] for row in RELIABLE.values()]


def eight_activities(workers: int) -> Problem:
    """Return a textbook exercise: 8 activities (duration, workers, predecessors), one worker pool.

    With 3 workers the optimum is 15, without a limit 14: our own arithmetic, proven with an exact
    constraint solver.
    """
    table = {
        1: (3, 2, ()), 2: (2, 1, ()), 3: (3, 2, (2,)), 4: (4, 2, (2, 5)),
        5: (4, 1, (1,)), 6: (3, 1, (3, 4, 1)), 7: (4, 2, (3,)), 8: (3, 1, (5,)),
    }  # fmt: skip
    rows = [
        activity(f"{n}", modes=by_crew(duration, None, machines=[0] * need))
        for n, (duration, need, _) in table.items()
    ]
    links = [(before - 1, n - 1) for n, (_, _, leaders) in table.items() for before in leaders]
    return problem(rows, links, resources=(Resource("pool", "Workers", capacity=workers),))


def makespan(whole: Problem, iterations: int = 200, seed: int = 1) -> int:
    found = plan(whole, stop=IterationStop(iterations), seed=seed)
    assert check(whole, found.schedule) == ()
    return max(placed.finish for placed in found.schedule.placed if placed)


@pytest.mark.parametrize("seed", range(5))
def test_eight_activities_with_three_workers_take_fifteen(seed):
    assert makespan(eight_activities(3), seed=seed) == 15


def test_eight_activities_with_workers_for_all_take_fourteen():
    assert makespan(eight_activities(16)) == 14


def test_no_order_of_the_eight_activities_takes_less_than_fifteen():
    whole = eight_activities(3)
    random = Random(11)

    ends = []
    for _ in range(300):
        schedule = decode(whole, random.sample(range(8), 8))
        ends.append(max(placed.finish for placed in schedule.placed if placed))

    assert min(ends) == 15


def reliable_construction() -> Problem:
    """Return the network of the Reliable Construction Co., in weeks, crews for all.

    Hillier and Lieberman, Introduction to Operations Research, project management chapter (from
    memory): 14 activities, critical path A-B-C-E-F-J-L-N of 44 weeks.
    """
    table = {
        "A": (2, ""), "B": (4, "A"), "C": (10, "B"), "D": (6, "C"), "E": (4, "C"), "F": (5, "E"),
        "G": (7, "D"), "H": (9, "EG"), "I": (7, "C"), "J": (8, "FI"), "K": (4, "J"), "L": (5, "J"),
        "M": (2, "H"), "N": (6, "KL"),
    }  # fmt: skip
    names = list(table)
    rows = [
        activity(name, work=weeks, crews=[n]) for n, (name, (weeks, _)) in enumerate(table.items())
    ]
    links = [(names.index(b), names.index(a)) for a, (_, leaders) in table.items() for b in leaders]
    return problem(rows, links, crews=len(rows))


def test_the_reliable_construction_network_takes_44_weeks():
    assert makespan(reliable_construction(), iterations=0) == 44


@pytest.mark.parametrize(
    ("name", "start"),
    # Earliest starts printed with the same network (from memory).
    [
        ("B", 2),
        ("C", 6),
        ("D", 16),
        ("E", 16),
        ("F", 20),
        ("G", 22),
        ("H", 29),
        ("I", 16),
        ("J", 25),
        ("K", 33),
        ("L", 33),
        ("M", 38),
        ("N", 38),
    ],
)
def test_earliest_starts_of_the_reliable_construction_network(name, start):
    whole = reliable_construction()
    schedule = decode(whole, range(len(whole.activities)))

    assert place(schedule, [row.key for row in whole.activities].index(name)).start == start


def test_weighted_shortest_work_first_is_optimal_on_one_crew():
    """Smith (1956), Naval Research Logistics Quarterly 3: order by work over weight (from memory).

    Every promise lies in the past, so late days grow with completion times; whole days of work.
    """
    works, weights = (3, 1, 4, 2, 5), (1.0, 2.0, 6.0, 1.0, 4.0)
    rows = [
        activity(f"a{i}", modes=(Mode(0, 96 * days, 0),), job=i) for i, days in enumerate(works)
    ]
    jobs = tuple(Job(f"j{i}", due=0, weight=weight) for i, weight in enumerate(weights))
    order = sorted(range(5), key=lambda i: works[i] / weights[i])
    done, expected = 0, 0.0
    for i in order:
        done += works[i]
        expected += weights[i] * done

    found = plan(problem(rows, jobs=jobs))

    assert found.objective.late_weighted_days == expected
