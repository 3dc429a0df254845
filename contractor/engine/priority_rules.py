"""Priority rules of first plans: which activity is placed before which.

No single rule wins on every problem: Browning and Yassine (2010), International Journal of
Production Economics 126(2), compare twenty (abstract, from memory). So all run and the best stays.
"""

from collections.abc import Callable, Mapping
from typing import NamedTuple

import numpy as np

from contractor.engine.compiled import Floats, kernel
from contractor.engine.passes import Keys
from contractor.engine.prepared import NONE, Layout

__all__ = ["ANNOUNCED_ORDER", "DUE_DATE", "RIGHT_SHIFT", "RULES", "Load", "load_of"]

RIGHT_SHIFT = "right shift"
ANNOUNCED_ORDER = "announced order"
DUE_DATE = "due date"
ATC_LOOK_AHEAD = 2.0
"""The k of apparent tardiness cost; 1.5 to 4.5 is usual (from memory)."""


class Load(NamedTuple):
    """Estimates in slots of the axis, contention left aside; by activity, and where said by job."""

    now: int
    due: Floats
    """Infinite where nothing is promised."""
    weight: Floats
    job: Floats
    told: Floats
    """Infinite where nothing was announced."""
    tail: Floats
    job_work: Floats
    job_release: Floats
    average_job_work: float


Rule = Callable[[Load], Keys]


def load_of(layout: Layout) -> Load:
    """Return what the rules go by."""
    job, jobs = layout.job, layout.jobs
    own, tail = _tails(layout)
    work: Floats = np.bincount(job, weights=own, minlength=jobs).astype(np.float64)
    release = np.full(jobs, layout.axis_slots, dtype=np.float64)
    np.minimum.at(release, job, layout.earliest)
    busy = work[work > 0]
    due = np.where(layout.due == NONE, np.inf, layout.due.astype(np.float64))
    told = np.where(layout.told_start == NONE, np.inf, layout.told_start.astype(np.float64))
    return Load(
        now=layout.now,
        due=due[job],
        weight=np.maximum(layout.weight, 1e-6)[job],
        job=job.astype(np.float64),
        told=told,
        tail=tail,
        job_work=work[job],
        job_release=release[job],
        average_job_work=float(busy.mean()) if busy.size else 1.0,
    )


@kernel
def _tails(lay: Layout) -> tuple[Floats, Floats]:
    """Return how long each activity takes on the axis at least, and with all that follows it."""
    own = np.zeros(lay.size)
    for i in range(lay.size):
        first = lay.mode_first[i]
        for m in range(first, lay.mode_first[i + 1]):
            worked = max(lay.total[lay.mode_calendar[m]], 1)
            takes = lay.mode_work[m] * lay.axis_slots / worked
            if m == first or takes < own[i]:
                own[i] = takes
    tail = own.copy()
    for k in range(lay.size - 1, -1, -1):
        i = lay.topological[k]
        for entry in range(lay.leader_first[i], lay.leader_first[i + 1]):
            wait = 0
            if lay.leader_wait[entry] != NONE:
                row = lay.leader_wait[entry] * (lay.axis_slots + 1)
                wait = min(lay.wait_table[row + lay.now], lay.axis_slots) - lay.now
            leader = lay.leader[entry]
            tail[leader] = max(tail[leader], own[leader] + wait + tail[i])
    return own, tail


def _told(load: Load) -> Keys:
    return load.told, load.due, load.job


def _due_date(load: Load) -> Keys:
    return load.due, load.job


def _slack_per_weight(load: Load) -> Keys:
    slack = load.due - load.now - load.tail
    return (np.where(slack > 0, slack / load.weight, slack * load.weight),)


def _weighted_due(load: Load) -> Keys:
    return (load.due - load.now) / load.weight, load.job


def _apparent_tardiness_cost(load: Load) -> Keys:
    work = np.maximum(load.job_work, 1.0)
    slack = np.maximum(0.0, load.due - load.now - load.tail)
    urgency = np.exp(-slack / (ATC_LOOK_AHEAD * load.average_job_work))
    return -load.weight / work * urgency, load.due, load.job


def _weighted_work(load: Load) -> Keys:
    return load.job_work / load.weight, load.job


def _first_released(load: Load) -> Keys:
    return load.job_release, load.job


RULES: Mapping[str, Rule] = {
    RIGHT_SHIFT: _told,
    ANNOUNCED_ORDER: _told,
    DUE_DATE: _due_date,
    "slack by weight": _slack_per_weight,
    "weighted due date": _weighted_due,
    "apparent tardiness cost": _apparent_tardiness_cost,
    "weighted shortest work": _weighted_work,
    "first released": _first_released,
}
