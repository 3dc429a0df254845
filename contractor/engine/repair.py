"""Local repair: keep everything where it was announced, and move only what must move.

Whatever can still be where people were told it is takes its place first. Then what cannot, because
something it follows comes later or its place is taken or closed, goes to the first gap around all
that stays. What follows it moves only if that gap is too late for it.
"""

import numpy as np

from contractor.engine.compiled import Flags, Ints, kernel
from contractor.engine.fit import FITS, first_fit, is_sooner, no_fit
from contractor.engine.occupancy import clear, forget
from contractor.engine.placing import BEYOND, Pass, book, earliest_start, place
from contractor.engine.prepared import LEADS_TO_FIXED, NONE, OPEN, UNDER_WAY, Layout
from contractor.engine.state import UNPLANNED, State
from contractor.engine.tighten import tighten


@kernel
def run_repair(lay: Layout, st: State, how: Pass, position: Ints, must_move: Flags) -> bool:
    """Place all activities, taken by `position`, from an empty state.

    False where something does not fit on the axis; the state is then of no use. Positions put
    leaders before followers. What is known as one that must move has no place kept for it, and
    `must_move` gets those that were found out late: others then made way for them in vain.
    """
    clear(lay, st)
    in_turn = np.empty(lay.size, dtype=np.int32)
    for i in range(lay.size):
        in_turn[position[i]] = i
    for rank in range(OPEN + 1):
        for k in range(lay.size):
            i = in_turn[k]
            if lay.rank[i] == rank and not must_move[i] and not _reserve(lay, st, how, i):
                return False
    for k in range(lay.size):
        i = in_turn[k]
        if lay.rank[i] == UNDER_WAY:
            continue
        if st.mode[i] != UNPLANNED:
            earliest = earliest_start(lay, st, i)
            if earliest != NONE and earliest <= st.start[i]:
                continue
            forget(lay, st, i)
            must_move[i] = 1
        st.not_before[i] = max(lay.told_start[i], 0)
        if place(lay, st, how, i) == BEYOND:
            return False
        st.not_before[i] = 0
        if st.pin_broken[i]:
            must_move[i] = 1
    for job in range(lay.jobs):
        if not lay.begun[job]:
            tighten(lay, st, job, 0, LEADS_TO_FIXED)
    return True


@kernel
def _reserve(lay: Layout, st: State, how: Pass, i: int) -> bool:
    """Give the activity the place it was told, if nothing but what it follows could forbid it.

    Work under way goes on at once. False where that does not fit on the axis.
    """
    if lay.rank[i] == UNDER_WAY:
        return place(lay, st, how, i) != BEYOND
    start, crew = lay.wanted_start[i], lay.wanted_crew[i]
    if start == NONE:
        start, crew = lay.told_start[i], lay.told_crew[i]
    if start == NONE or start < lay.earliest[i]:
        return True
    best = no_fit(NONE)
    for m in range(lay.mode_first[i], lay.mode_first[i + 1]):
        # A pin may leave the crew open; then whoever was told keeps it.
        asked = crew if crew != NONE or lay.wanted_start[i] == NONE else lay.told_crew[i]
        if lay.mode_crew[m] == asked or (asked == NONE and lay.wanted_start[i] != NONE):
            fit = first_fit(lay, st, m, lay.window_set[i], start)
            if fit[0] == FITS and fit[2] == start and (best[0] != FITS or is_sooner(fit, best)):
                best = fit
    if best[0] == FITS:
        book(lay, st, i, best)
    return True
