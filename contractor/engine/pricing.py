"""What one job of a plan in the making costs, priced as `objective` prices the whole plan."""

from contractor.engine.compiled import kernel
from contractor.engine.placing import freed_at
from contractor.engine.prepared import NONE, UNDER_WAY, Layout
from contractor.engine.prices import (
    FROZEN_TOLERANCE_SLOTS,
    PRICE_BROKEN_PIN,
    PRICE_CREW_CHANGE,
    PRICE_EXTRA_CREW,
    PRICE_FINISH_DAY,
    PRICE_FROZEN_MOVE,
    PRICE_LATE_DAY,
    PRICE_MOVED_DAY,
    PRICE_OPEN_DAY,
    PRICE_OVERLONG_DAY,
    PRICE_UNPLANNED,
)
from contractor.engine.state import UNPLANNED, State
from contractor.engine.worktime import SLOTS_PER_DAY


@kernel
def price_of_job(lay: Layout, st: State, job: int) -> float:
    """Return what the job costs; the prices of all jobs add up to the objective's total."""
    price = 0.0
    opens, closes, ends = lay.axis_slots + 1, -1, -1
    for k in range(lay.member_first[job], lay.member_first[job + 1]):
        i = lay.member[k]
        if st.mode[i] == UNPLANNED:
            price += PRICE_UNPLANNED
            if lay.has_pin[i] and lay.rank[i] != UNDER_WAY:
                price += PRICE_BROKEN_PIN
            continue
        ends = max(ends, st.finish[i])
        if st.crew[i] != NONE:
            opens, closes = min(opens, st.start[i]), max(closes, st.finish[i])
        price += _price_of_told(lay, st, i) + _price_of_overlong(lay, st, i)
        if st.pin_broken[i]:
            price += PRICE_BROKEN_PIN
    if ends >= 0:
        price += PRICE_FINISH_DAY * (ends - lay.now) / SLOTS_PER_DAY
        if lay.due[job] != NONE and ends > lay.due[job]:
            late_days = -((lay.due[job] - ends) // SLOTS_PER_DAY)
            price += PRICE_LATE_DAY * lay.weight[job] * late_days
    if closes >= 0:
        since = lay.now if lay.begun[job] else opens
        price += PRICE_OPEN_DAY * ((closes - since) // SLOTS_PER_DAY)
    price += _price_of_crews(lay, st, job)
    if lay.visit_price[job] > 0:
        price += lay.visit_price[job] * visits(lay, st, job)
    return price


@kernel
def _price_of_told(lay: Layout, st: State, i: int) -> float:
    """Return what it costs that the activity is not as announced."""
    told = lay.told_start[i]
    if told == NONE or lay.rank[i] == UNDER_WAY:
        return 0.0
    moved = abs(st.start[i] - told)
    other_crew = lay.told_crew[i] != NONE and st.crew[i] != lay.told_crew[i]
    price = PRICE_MOVED_DAY * lay.told_weight[i] * (moved // SLOTS_PER_DAY)
    if other_crew:
        price += PRICE_CREW_CHANGE
    if lay.told_frozen[i] and (moved >= FROZEN_TOLERANCE_SLOTS or other_crew):
        price += PRICE_FROZEN_MOVE
    return price


@kernel
def _price_of_overlong(lay: Layout, st: State, i: int) -> float:
    """Return what it costs that links held longer than they should have."""
    price = 0.0
    for k in range(lay.leader_first[i], lay.leader_first[i + 1]):
        if lay.leader_longest[k] != NONE and st.mode[lay.leader[k]] != UNPLANNED:
            over = st.start[i] - freed_at(lay, st, k) - lay.leader_longest[k]
            if over > 0:
                price += PRICE_OVERLONG_DAY * -(-over // SLOTS_PER_DAY)
    return price


@kernel
def _price_of_crews(lay: Layout, st: State, job: int) -> float:
    """Return the price of crews beyond one that work on the job, its preferred one counted."""
    extra = 0 if lay.preferred_crew[job] != NONE else -1
    any_crew = lay.preferred_crew[job] != NONE
    for k in range(lay.member_first[job], lay.member_first[job + 1]):
        i = lay.member[k]
        crew = st.crew[i]
        if crew == NONE or crew == lay.preferred_crew[job]:
            continue
        any_crew = True
        new = True
        for other in range(lay.member_first[job], k):
            if st.crew[lay.member[other]] == crew:
                new = False
                break
        extra += new
    return PRICE_EXTRA_CREW * extra if any_crew else 0.0


@kernel
def visits(lay: Layout, st: State, job: int) -> int:
    """Return how often crews come to the job's site; a crew that pauses too long comes anew."""
    count = 0
    for k in range(lay.member_first[job], lay.member_first[job + 1]):
        i = lay.member[k]
        if st.crew[i] == NONE:
            continue
        comes_anew = True
        for other_k in range(lay.member_first[job], lay.member_first[job + 1]):
            other = lay.member[other_k]
            if other == i or st.crew[other] != st.crew[i]:
                continue
            before = (st.start[other], other) < (st.start[i], i)
            if before and st.start[i] - st.finish[other] <= lay.visit_pause_slots:
                comes_anew = False
                break
        count += comes_anew
    return count


@kernel
def is_late(lay: Layout, st: State, job: int) -> bool:
    """Return whether the job breaks a promise that has any weight."""
    due = lay.due[job]
    if due == NONE or lay.weight[job] == 0:
        return False
    for k in range(lay.member_first[job], lay.member_first[job + 1]):
        if st.finish[lay.member[k]] > due:
            return True
    return False


@kernel
def price_of_all(lay: Layout, st: State) -> float:
    """Return the total of all jobs."""
    total = 0.0
    for job in range(lay.jobs):
        total += price_of_job(lay, st, job)
    return total
