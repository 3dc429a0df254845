"""Whatever the project: nothing early, nothing over capacity, and never below what is proven."""

from itertools import combinations, permutations

import networkx as nx
import numpy as np
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from contractor.engine.project.bounds import lower_bound
from contractor.engine.project.branching import climb, plant
from contractor.engine.project.layout import lay_out, turned
from contractor.engine.project.plain import PlainProject
from contractor.engine.project.solve import ProjectResult, solve
from contractor.engine.project.tree import BELOW, weighed
from contractor.engine.project.weights import WHOLE, weights
from contractor.engine.stops import IterationStop
from tests.unit.engine.project.builders import faults, makespan, project

RELAXED = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@st.composite
def projects(draw: st.DrawFn, most: int = 9, resources: int = 3) -> PlainProject:
    size, kinds = draw(st.integers(1, most)), draw(st.integers(0, resources))
    durations = draw(st.lists(st.integers(0, 9), min_size=size, max_size=size))
    capacities = draw(st.lists(st.integers(1, 6), min_size=kinds, max_size=kinds))
    demands = [
        [draw(st.integers(0, capacity)) if duration else 0 for capacity in capacities]
        for duration in durations
    ]
    pairs = [(a, b) for b in range(size) for a in range(b)]
    chosen = draw(st.lists(st.sampled_from(pairs), max_size=2 * size)) if pairs else []
    # Numbers do not follow precedence, or a wrong order would not be noticed.
    names = draw(st.permutations(range(size)))
    links = [(names[a], names[b], draw(st.sampled_from([0, 0, 0, 4]))) for a, b in chosen]
    return project(durations, demands, capacities, links)


def solved(whole: PlainProject, iterations: int = 2000) -> ProjectResult:
    found = solve(whole, stop=IterationStop(iterations))
    assert faults(whole, found.starts) == []
    assert makespan(whole, found.starts) == found.makespan
    assert found.bound <= found.makespan
    assert found.optimal == (found.bound == found.makespan)
    return found


def cp_sat_optimum(whole: PlainProject) -> int:
    """Return the optimum by a plain model in OR-Tools CP-SAT, written apart from the engine's."""
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    horizon = int(whole.durations.sum() + whole.precedence[:, 2].sum())
    starts = [model.new_int_var(0, horizon, "") for _ in range(whole.size)]
    finish = model.new_int_var(0, horizon, "")
    intervals = []
    for start, duration in zip(starts, whole.durations.tolist(), strict=True):
        intervals.append(model.new_fixed_size_interval_var(start, duration, ""))
        model.add(finish >= start + duration)
    for before, after, lag in whole.precedence.tolist():
        model.add(starts[after] >= starts[before] + int(whole.durations[before]) + lag)
    for r, capacity in enumerate(whole.capacities.tolist()):
        model.add_cumulative(intervals, whole.demands[:, r].tolist(), capacity)
    model.minimize(finish)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    return round(solver.objective_value)


def brute_force_optimum(whole: PlainProject) -> int:
    """Return the shortest of the serial schedules of all orders.

    Some order gives an optimum: Kolisch (1996), European Journal of Operational Research 90(2)
    (from memory).
    """
    return min(
        _serial_makespan(whole, order)
        for order in permutations(range(whole.size))
        if all(order.index(a) < order.index(b) for a, b, _ in whole.precedence.tolist())
    )


def _serial_makespan(whole: PlainProject, order: tuple[int, ...]) -> int:
    horizon = int(whole.durations.sum() + whole.precedence[:, 2].sum())
    used = np.zeros((horizon + 1, whole.capacities.size), dtype=int)
    ends = [0] * whole.size
    for i in order:
        start = max((ends[a] + lag for a, b, lag in whole.precedence.tolist() if b == i), default=0)
        duration = int(whole.durations[i])
        while (used[start : start + duration] + whole.demands[i] > whole.capacities).any():
            start += 1
        used[start : start + duration] += whole.demands[i]
        ends[i] = start + duration
    return max(ends)


@RELAXED
@given(projects())
def test_the_optimum_of_cp_sat_is_reached_and_proven(whole):
    found = solved(whole, 100_000)

    assert (found.makespan, found.optimal) == (cp_sat_optimum(whole), True)


@RELAXED
@given(projects(most=6, resources=2))
def test_no_order_gives_less(whole):
    assert solved(whole).makespan == brute_force_optimum(whole)


@RELAXED
@given(projects(most=12))
def test_the_bound_is_below_the_optimum(whole):
    layout = lay_out(whole)

    assert lower_bound(layout) * layout.unit <= cp_sat_optimum(whole)


@settings(RELAXED, max_examples=15)
@given(projects(most=14), st.integers(0, 3))
def test_branch_and_bound_alone_ends_with_the_optimum_both_ways(whole, slack):
    layout = lay_out(whole)
    optimum = cp_sat_optimum(whole) // layout.unit

    for side in (layout, turned(layout)):
        for below in (optimum, optimum + 1 + slack):
            tree = plant(side, below)
            while not climb(side.forward, tree, 10_000):
                pass
            assert tree.state[BELOW] == optimum


@settings(RELAXED, max_examples=15)
@given(projects(most=14), st.integers(0, 3))
def test_weights_change_no_end_of_branch_and_bound(whole, slack):
    layout = lay_out(whole)
    optimum = cp_sat_optimum(whole) // layout.unit

    for side in (layout, turned(layout)):
        found = weights(side)
        assume(found is not None)
        tree = weighed(plant(side, optimum + 1 + slack), side, found, WHOLE)
        while not climb(side.forward, tree, 10_000):
            pass
        assert tree.state[BELOW] == optimum


@RELAXED
@given(projects(most=9))
def test_weights_are_those_of_the_linear_program_over_all_that_runs_together(whole):
    assume(whole.durations.any())
    found = weights(lay_out(whole))
    sets = np.array([[int(i in own) for i in range(whole.size)] for own in _together(whole)])

    assert (sets @ found <= WHOLE).all()
    # The same bound the other way round, by HiGHS in SciPy: the least time in which sets that can
    # run together have all activities in them for as long as they take.
    least = linprog(np.ones(len(sets)), A_ub=-sets.T, b_ub=-whole.durations)
    assert least.success
    lost = int(whole.durations.sum()) / WHOLE
    assert least.fun - lost <= (whole.durations @ found[:, 0]) / WHOLE <= least.fun + 1e-6


def _together(whole: PlainProject) -> list[tuple[int, ...]]:
    """Return all sets of activities that take time and may run at once, found one by one."""
    graph = nx.DiGraph(whole.precedence[:, :2].tolist())
    graph.add_nodes_from(range(whole.size))
    behind = {i: nx.descendants(graph, i) for i in graph}
    takes_time = np.flatnonzero(whole.durations).tolist()
    return [
        members
        for size in range(1, whole.size + 1)
        for members in combinations(takes_time, size)
        if (whole.demands[list(members)].sum(axis=0) <= whole.capacities).all()
        and not any(b in behind[a] or a in behind[b] for a, b in combinations(members, 2))
    ]


@RELAXED
@given(projects(most=25, resources=0))
def test_with_units_for_all_the_makespan_is_the_longest_path(whole):
    graph = nx.DiGraph()
    graph.add_nodes_from(["source", "sink"])
    for i, duration in enumerate(whole.durations.tolist()):
        graph.add_edge("source", i, weight=0)
        graph.add_edge(i, "sink", weight=duration)
    for a, b, lag in whole.precedence.tolist():
        weight = int(whole.durations[a]) + lag
        known = graph.get_edge_data(a, b, {"weight": 0})["weight"]
        graph.add_edge(a, b, weight=max(weight, known))

    assert solved(whole).makespan == nx.dag_longest_path_length(graph)


@RELAXED
@given(projects(), st.data())
def test_more_capacity_is_never_worse(whole, data):
    assume(whole.capacities.size)
    more = whole.capacities.tolist()
    more[data.draw(st.integers(0, len(more) - 1))] += 1
    wider = project(
        whole.durations.tolist(), whole.demands.tolist(), more, whole.precedence.tolist()
    )

    assert solved(wider).makespan <= solved(whole).makespan


@RELAXED
@given(projects(), st.data())
def test_an_activity_less_is_never_worse(whole, data):
    assume(whole.size > 1)
    out = data.draw(st.integers(0, whole.size - 1))
    kept = [i for i in range(whole.size) if i != out]
    number = {i: n for n, i in enumerate(kept)}
    fewer = project(
        whole.durations[kept].tolist(),
        whole.demands[kept].tolist(),
        whole.capacities.tolist(),
        [
            (number[a], number[b], lag)
            for a, b, lag in whole.precedence.tolist()
            if out not in (a, b)
        ],
    )

    assert solved(fewer).makespan <= solved(whole).makespan


@RELAXED
@given(projects(), st.integers(2, 7))
def test_times_in_a_finer_unit_give_the_same_project(whole, factor):
    finer = project(
        (whole.durations * factor).tolist(),
        whole.demands.tolist(),
        whole.capacities.tolist(),
        (whole.precedence * [1, 1, factor]).tolist(),
    )

    assert solved(finer).makespan == factor * solved(whole).makespan
