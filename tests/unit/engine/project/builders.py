"""Small projects for tests, and an independent look at their schedules."""

from collections.abc import Sequence

import numpy as np

from contractor.engine.project.plain import PlainProject


def project(
    durations: Sequence[int],
    demands: Sequence[Sequence[int]] = (),
    capacities: Sequence[int] = (),
    links: Sequence[tuple[int, ...]] = (),
) -> PlainProject:
    """Return a project; links are pairs, or triples with a lag."""
    return PlainProject(
        durations=np.array(durations, dtype=np.int64),
        demands=np.array(demands or [()] * len(durations), dtype=np.int64).reshape(
            len(durations), len(capacities)
        ),
        capacities=np.array(capacities, dtype=np.int64),
        precedence=np.array([(*link, 0)[:3] for link in links], dtype=np.int64).reshape(-1, 3),
    )


def faults(whole: PlainProject, starts: Sequence[int]) -> list[str]:
    """Return what is wrong with `starts`, slot by slot."""
    found = [f"{i} starts at {start}" for i, start in enumerate(starts) if start < 0]
    ends = [start + int(d) for start, d in zip(starts, whole.durations, strict=True)]
    for before, after, lag in whole.precedence.tolist():
        if starts[after] < ends[before] + lag:
            found.append(f"{after} starts at {starts[after]}, {before} ends at {ends[before]}")
    for slot in range(max(ends)):
        running = [i for i, start in enumerate(starts) if start <= slot < ends[i]]
        for r, capacity in enumerate(whole.capacities.tolist()):
            used = int(whole.demands[running, r].sum())
            if used > capacity:
                found.append(f"slot {slot}: {used} of {capacity} units of {r}")
    return found


def makespan(whole: PlainProject, starts: Sequence[int]) -> int:
    """Return the finish of the last activity."""
    return max(start + int(d) for start, d in zip(starts, whole.durations, strict=True))
