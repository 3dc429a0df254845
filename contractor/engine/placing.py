"""Placing one activity: when its leaders and its crew let it begin, and which crew that is."""

from typing import NamedTuple

from contractor.engine.compiled import kernel
from contractor.engine.fit import (
    EXCEEDED,
    FITS,
    NO_WINDOW,
    Fit,
    first_fit,
    fit_of,
    is_sooner,
    may_finish_by,
    no_fit,
)
from contractor.engine.occupancy import occupy
from contractor.engine.prepared import FROZEN, NONE, PINNED, UNDER_WAY, Layout
from contractor.engine.state import UNPLANNED, State

PLACED, LOST, BEYOND = 0, 1, 2
"""What placing one activity ends in: it has its place, has none, or the axis is too short."""
ALL = -2
"""Stands for the crew of modes where any crew will do; NONE is the crew of work without one."""


class Pass(NamedTuple):
    """How a pass chooses.

    With `right_shift` what was announced keeps its crew, never starts
    earlier, and, `in_turn`, keeps its order on the crew. `change_crew_slots` is how much sooner
    another crew than the job's own must be done. `tightens`: jobs are made to run through.
    `staffs`: each job is first tried on every crew, and the state's `crew_choice` and
    `begins_by_job` are filled with what was found. `first_ready`: open work takes its turn by when
    what it follows lets it begin, as in a queue. `exactly`: everything is in its `mode_choice`,
    with no other way, from its `not_before` on, whatever a pin or the freeze asks for; without a
    choice it has no place.
    """

    change_crew_slots: int
    right_shift: bool
    in_turn: bool
    tightens: bool
    staffs: bool
    first_ready: bool = False
    exactly: bool = False


@kernel
def place(lay: Layout, st: State, how: Pass, i: int) -> int:
    """Give the activity its dates; its leaders have theirs, or are lost."""
    earliest = earliest_start(lay, st, i)
    if earliest == NONE:
        return LOST
    if earliest >= lay.axis_slots:
        return BEYOND
    fit = _choose(lay, st, how, i, earliest)
    if fit[0] == EXCEEDED:
        return BEYOND
    if fit[0] == NO_WINDOW:
        st.held_by[i] = i
        return LOST
    book(lay, st, i, fit)
    keeps_turn = how.right_shift and how.in_turn and lay.told_start[i] != NONE
    if keeps_turn and st.crew[i] != NONE and st.finish[i] > st.start[i]:
        st.last_on_crew[st.crew[i]] = i
    return PLACED


@kernel
def earliest_start(lay: Layout, st: State, i: int) -> int:
    """Return the first slot that links and releases leave, or NONE where a leader is lost."""
    earliest = max(lay.earliest[i], st.not_before[i])
    if lay.may_wait[i]:
        earliest = max(earliest, st.begins_by_job[lay.job[i]])
    for k in range(lay.leader_first[i], lay.leader_first[i + 1]):
        leader = lay.leader[k]
        if st.mode[leader] == UNPLANNED:
            st.held_by[i] = leader
            return NONE
        earliest = max(earliest, freed_at(lay, st, k))
    return earliest


@kernel
def freed_at(lay: Layout, st: State, k: int) -> int:
    """Return the slot from which link entry `k` lets its follower start."""
    leader = lay.leader[k]
    slot = st.start[leader] if lay.leader_start_to_start[k] else st.finish[leader]
    if lay.leader_wait[k] != NONE:
        return lay.wait_table[lay.leader_wait[k] * (lay.axis_slots + 1) + slot]
    return slot


@kernel
def book(lay: Layout, st: State, i: int, fit: Fit) -> None:
    """Write down the dates of the activity and take what it needs."""
    crew = lay.mode_crew[fit[1]]
    st.mode[i], st.crew[i] = fit[1] - lay.mode_first[i], crew
    st.start[i], st.finish[i] = fit[2], fit[3]
    st.blocker_resource[i], st.blocker_holder[i], st.blocker_slot[i] = fit[4], fit[5], fit[6]
    occupy(lay, st, i)
    if crew != NONE:
        join(st, lay.job[i], crew)
    if lay.rank[i] == PINNED:
        crew_kept = lay.wanted_crew[i] == NONE or lay.wanted_crew[i] == crew
        st.pin_broken[i] = st.start[i] != lay.wanted_start[i] or not crew_kept


@kernel
def join(st: State, job: int, crew: int) -> None:
    """Note that the crew is on the job, if that is new."""
    count = st.job_crew_count[job]
    for k in range(count):
        if st.job_crews[job * st.crew_width + k] == crew:
            return
    st.job_crews[job * st.crew_width + count] = crew
    st.job_crew_count[job] = count + 1


@kernel
def _choose(lay: Layout, st: State, how: Pass, i: int, earliest: int) -> Fit:
    """Return the best fit among the modes that may be taken."""
    if how.exactly:
        if st.mode_choice[i] == NONE:
            return no_fit(NO_WINDOW)
        exact_mode = lay.mode_first[i] + st.mode_choice[i]
        return first_fit(lay, st, exact_mode, lay.window_set[i], earliest)
    rank = lay.rank[i]
    start, crew = lay.wanted_start[i], lay.wanted_crew[i]
    if how.right_shift and rank >= FROZEN:
        start, crew = lay.told_start[i], lay.told_crew[i]
    if start != NONE:
        earliest = max(earliest, start)
    only_crew, only_mode = ALL, NONE
    if rank == UNDER_WAY:
        only_mode = _going_on(lay, i, crew)
    elif crew == NONE and st.mode_choice[i] != NONE:
        only_mode = lay.mode_first[i] + st.mode_choice[i]
    elif crew != NONE or st.crew_choice[i] != NONE:
        only_crew = crew if crew != NONE else st.crew_choice[i]
    elif how.right_shift and lay.told_start[i] != NONE:
        # What was told without a crew stays with others, where others can do it.
        only_crew = NONE
    fit = _best(lay, st, how, i, earliest, only_crew, only_mode)
    if fit[0] == NO_WINDOW and only_crew != ALL:
        fit = _best(lay, st, how, i, earliest, ALL, NONE)
    return fit


@kernel
def _going_on(lay: Layout, i: int, crew: int) -> int:
    """Return the mode in which work under way goes on: the first of its crew, if it has one."""
    first = lay.mode_first[i]
    if crew != NONE:
        for m in range(first, lay.mode_first[i + 1]):
            if lay.mode_crew[m] == crew:
                return m
    return first


@kernel
def _best(
    lay: Layout, st: State, how: Pass, i: int, earliest: int, only_crew: int, only_mode: int
) -> Fit:
    """Return the fit that finishes first; the job's own crew yields to a clear gain only.

    Among the modes of `only_crew` (ALL: any), or `only_mode` alone. A mode that runs off the axis
    is passed over where another one fits.
    """
    own_crew = _own_crew(lay, st, i, only_crew, only_mode)
    if own_crew == NONE and lay.told_start[i] == NONE and st.job_crew_count[lay.job[i]] == 0:
        return _best_to_stay(lay, st, how, i, earliest, only_crew, only_mode)
    gain = max(how.change_crew_slots, 1)
    latest = lay.axis_slots
    best, own = no_fit(NO_WINDOW), no_fit(NO_WINDOW)
    # The own crew first: it limits what another would have to beat.
    for turn in range(2):
        for m in range(lay.mode_first[i], lay.mode_first[i + 1]):
            is_own = own_crew != NONE and lay.mode_crew[m] == own_crew
            if is_own != (turn == 0) or not _is_among(lay, m, only_crew, only_mode):
                continue
            # Another crew must gain much; the own crew with another machine need not.
            must_beat = own[3] if is_own and own[0] == FITS else latest
            if not may_finish_by(lay, m, earliest, must_beat):
                continue
            fit = _fit(lay, st, how, i, m, earliest)
            if fit[0] != FITS:
                if best[0] == NO_WINDOW:
                    best = fit
            elif is_own:
                if own[0] != FITS or is_sooner(fit, own):
                    own = fit
                    latest = own[3] - gain
            elif fit[3] <= latest and (best[0] != FITS or is_sooner(fit, best)):
                best = fit
                latest = best[3]
    return own if own[0] == FITS and best[0] != FITS else best


@kernel
def _is_among(lay: Layout, m: int, only_crew: int, only_mode: int) -> bool:
    if only_mode != NONE:
        return m == only_mode
    return only_crew == ALL or lay.mode_crew[m] == only_crew


@kernel
def _own_crew(lay: Layout, st: State, i: int, only_crew: int, only_mode: int) -> int:
    """Return who should do it: the crew told, else the first on the job that can; or NONE."""
    if lay.told_crew[i] != NONE:
        return lay.told_crew[i]
    row = lay.job[i] * st.crew_width
    for k in range(st.job_crew_count[lay.job[i]]):
        for m in range(lay.mode_first[i], lay.mode_first[i + 1]):
            crew = st.job_crews[row + k]
            if lay.mode_crew[m] == crew and _is_among(lay, m, only_crew, only_mode):
                return crew
    return NONE


@kernel
def _best_to_stay(
    lay: Layout, st: State, how: Pass, i: int, earliest: int, only_crew: int, only_mode: int
) -> Fit:
    """Return the fit of the crew that can do most of the job, unless it comes much later."""
    soonest = no_fit(NO_WINDOW)
    chosen = soonest
    covered = -1
    for turn in range(2):
        for m in range(lay.mode_first[i], lay.mode_first[i + 1]):
            covers = _covered(lay, i, m)
            if covers < covered or not _is_among(lay, m, only_crew, only_mode):
                continue
            fit = _fit(lay, st, how, i, m, earliest)
            if fit[0] != FITS:
                if soonest[0] == NO_WINDOW:
                    soonest = fit
            elif turn == 0:
                if soonest[0] != FITS or is_sooner(fit, soonest):
                    soonest = fit
            elif fit[3] <= soonest[3] + how.change_crew_slots and (
                covers > covered or is_sooner(fit, chosen)
            ):
                chosen = fit
                covered = covers
        if soonest[0] != FITS:
            return soonest
    return chosen


@kernel
def _covered(lay: Layout, i: int, m: int) -> int:
    """Return how much of the job the crew of a mode can do; nothing where it has no crew."""
    crew = lay.mode_crew[m]
    return 0 if crew == NONE else lay.coverage[lay.job[i] * lay.resources + crew]


@kernel
def _fit(lay: Layout, st: State, how: Pass, i: int, m: int, earliest: int) -> Fit:
    """Return where the mode fits; in a right shift not ahead of what was announced before it."""
    crew = lay.mode_crew[m]
    has_turn = lay.told_start[i] != NONE and lay.rank[i] != UNDER_WAY
    if how.right_shift and has_turn and crew != NONE and lay.mode_work[m]:
        last = st.last_on_crew[crew]
        if last != NONE and st.start[last] > earliest:
            fit = first_fit(lay, st, m, lay.window_set[i], st.start[last])
            if fit[0] == FITS and fit[4] == NONE:
                return fit_of(m, fit[2], fit[3], crew, last, st.start[last])
            return fit
    return first_fit(lay, st, m, lay.window_set[i], earliest)
