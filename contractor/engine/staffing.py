"""Choose a job's crew, and when it begins, by trying.

Who is free first for the first phase may be long away for the rest, and a job begun in the first
gap may lie open until the next one. So a job is seen through on every crew, and begun later too,
before the pass settles on what costs least.
"""

import numpy as np

from contractor.engine.compiled import Ints, kernel
from contractor.engine.occupancy import forget
from contractor.engine.placing import BEYOND, Pass, place
from contractor.engine.prepared import LEADS_TO_FIXED, NONE, Layout
from contractor.engine.prices import (
    PRICE_EXTRA_CREW,
    PRICE_FINISH_DAY,
    PRICE_LATE_DAY,
    PRICE_OPEN_DAY,
)
from contractor.engine.state import UNPLANNED, State
from contractor.engine.tighten import tighten
from contractor.engine.worktime import SLOTS_PER_DAY

LATER_BEGINS_DAYS = (7, 14, 28, 42)
"""How much later than it could a job is tried to begin; our own choice."""
PRICE_LATER_BEGIN = 24.0
"""What beginning later must save at least: six days of an open site."""


@kernel
def staff(lay: Layout, st: State, how: Pass, job: int) -> None:
    """Settle who does what of `job` and when it begins, in `crew_choice` and `begins_by_job`.

    Jobs already placed count as settled. Where the job waits for another that is not, nothing is.
    """
    rest = _rest(lay, st, job)
    if rest.size == 0:
        return
    crews = np.full(rest.size, NONE, dtype=np.int32)
    best_cost, best_begins = np.inf, 0
    for crew in range(lay.resources):
        if lay.coverage[job * lay.resources + crew] == 0:
            continue
        cost, opens = _try(lay, st, how, job, rest, crew, 0, best_cost)
        if cost == np.inf:
            continue
        if cost < best_cost:
            best_cost, best_begins = cost, 0
            _note_crews(st, rest, crews)
        _take_back(lay, st, job, rest)
        for days in LATER_BEGINS_DAYS:
            begins = opens + days * SLOTS_PER_DAY
            cost, _ = _try(lay, st, how, job, rest, crew, begins, best_cost)
            if cost == np.inf:
                break
            if cost < best_cost:
                best_cost, best_begins = cost, begins
                _note_crews(st, rest, crews)
            _take_back(lay, st, job, rest)
    st.begins_by_job[job] = best_begins
    for k in range(rest.size):
        st.crew_choice[rest[k]] = crews[k]


@kernel
def _rest(lay: Layout, st: State, job: int) -> Ints:
    """Return what is left of `job`; nothing where that waits for another job not yet placed."""
    rest = np.empty(lay.member_first[job + 1] - lay.member_first[job], dtype=np.int32)
    count = 0
    for k in range(lay.member_first[job], lay.member_first[job + 1]):
        i = lay.member[k]
        if _settled(st, i):
            continue
        rest[count] = i
        count += 1
        for leading in range(lay.leader_first[i], lay.leader_first[i + 1]):
            leader = lay.leader[leading]
            if lay.job[leader] != job and not _settled(st, leader):
                return rest[:0]
    return rest[:count]


@kernel
def _settled(st: State, i: int) -> bool:
    return st.mode[i] != UNPLANNED or st.held_by[i] != NONE


@kernel
def _try(
    lay: Layout, st: State, how: Pass, job: int, rest: Ints, crew: int, begins: int, beat: float
) -> tuple[float, int]:
    """Place the rest of the job with `crew` as its own; return what it costs and when it opens.

    Infinite, and all taken back, where it runs off the axis or ends so late that it cannot cost
    less than `beat`.
    """
    st.job_crews[job * st.crew_width], st.job_crew_count[job] = crew, 1
    st.begins_by_job[job] = begins
    for k in range(rest.size):
        i = rest[k]
        beyond = place(lay, st, how, i) == BEYOND
        if beyond or _price_of_finish(lay, job, st.finish[i]) >= beat:
            _take_back(lay, st, job, rest)
            return np.inf, 0
    tighten(lay, st, job, 0, LEADS_TO_FIXED)
    return _cost(lay, st, job, begins)


@kernel
def _cost(lay: Layout, st: State, job: int, begins: int) -> tuple[float, int]:
    """Return what the job costs as it is placed, and when the first crew comes."""
    opens, closes, ends = lay.axis_slots, 0, 0
    crews = 0
    for k in range(lay.member_first[job], lay.member_first[job + 1]):
        i = lay.member[k]
        if st.mode[i] == UNPLANNED:
            continue
        ends = max(ends, st.finish[i])
        if st.crew[i] == NONE:
            continue
        opens, closes = min(opens, st.start[i]), max(closes, st.finish[i])
        new = True
        for other in range(lay.member_first[job], k):
            new = new and st.crew[lay.member[other]] != st.crew[i]
        crews += new
    if crews == 0:
        return 0.0, 0
    cost = PRICE_LATER_BEGIN if begins else 0.0
    cost += PRICE_EXTRA_CREW * crews + PRICE_OPEN_DAY * (closes - opens) / SLOTS_PER_DAY
    return cost + _price_of_finish(lay, job, ends), opens


@kernel
def _price_of_finish(lay: Layout, job: int, finish: int) -> float:
    price = PRICE_FINISH_DAY * finish / SLOTS_PER_DAY
    if lay.due[job] != NONE and finish > lay.due[job]:
        late_days = -((lay.due[job] - finish) // SLOTS_PER_DAY)
        price += PRICE_LATE_DAY * lay.weight[job] * late_days
    return price


@kernel
def _note_crews(st: State, rest: Ints, crews: Ints) -> None:
    for k in range(rest.size):
        crews[k] = st.crew[rest[k]]


@kernel
def _take_back(lay: Layout, st: State, job: int, rest: Ints) -> None:
    for k in range(rest.size):
        forget(lay, st, rest[k])
    st.job_crew_count[job] = 0
    st.begins_by_job[job] = 0
