"""Hold back the early work of a job, so that its crew runs through once it has begun.

Placed one by one into the first gaps, the phases of a job lie strewn wherever a crew had a free
morning. This moves them right, the last ones first, toward what follows them; what follows is
never delayed, so no job finishes later.
"""

from bisect import bisect_right
from collections.abc import Sequence
from typing import NamedTuple

from contractor.engine.dates import UNPLANNED, Dates
from contractor.engine.fit import last_fit, may_finish_by
from contractor.engine.prepared import LEADS_TO_FIXED, FitMode, Prepared
from contractor.engine.timeline import Timeline


class _Limit(NamedTuple):
    """The latest finish that a follower leaves, and that follower."""

    finish: int
    follower: int


def tighten(prepared: Prepared, dates: Dates, timelines: Sequence[Timeline], job: int) -> None:
    """Move what can wait of `job` toward its followers, on the same modes, in `dates` in place.

    Fixed work and what has no follower stays. What was announced moves no later than announced.
    """
    members = prepared.members_by_job[job]
    held_up = {blocker.holder for i in members if (blocker := dates.blocker[i]) is not None}
    for i in reversed(members):
        if (
            prepared.rank[i] < LEADS_TO_FIXED
            or dates.mode[i] == UNPLANNED
            # Another phase took its turn behind this one, so they keep that order.
            or i in held_up
        ):
            continue
        mode = prepared.modes[i][dates.mode[i]]
        limit = _limit(prepared, dates, i, mode)
        if limit is not None:
            _move(prepared, dates, timelines, i, mode, limit)


def _limit(prepared: Prepared, dates: Dates, i: int, mode: FitMode) -> _Limit | None:
    """Return the tightest limit, or None where nothing can be gained."""
    before, slot_of, work = mode.before, mode.slot_of, mode.work
    followers = prepared.followers[i]
    if work == 0 or not followers:
        return None
    tightest: _Limit | None = None
    for after in followers:
        if dates.mode[after] == UNPLANNED:
            return None
        for leader in prepared.leaders[after]:
            if leader.activity != i:
                continue
            latest = dates.start[after]
            if leader.table is not None:
                latest = bisect_right(leader.table, latest) - 1
            done = before[latest]
            if leader.start_to_start:
                done = min(before[latest + 1] - 1 + work, mode.total)
            # A follower that was itself moved has kept its float; one float serves the chain.
            if dates.held_back_for[after] is None:
                done -= prepared.float_slots
            if done <= before[dates.finish[i]]:
                return None
            finish = slot_of[done - 1] + 1
            if tightest is None or finish < tightest.finish:
                tightest = _Limit(finish, after)
    told = prepared.announced_start[i]
    if tightest is not None and told is not None:
        done = min(before[min(told, prepared.axis_slots - 1) + 1] - 1 + work, mode.total)
        if done <= before[dates.finish[i]]:
            return None
        tightest = _Limit(min(tightest.finish, slot_of[done - 1] + 1), tightest.follower)
    return tightest


def _move(
    prepared: Prepared,
    dates: Dates,
    timelines: Sequence[Timeline],
    i: int,
    mode: FitMode,
    limit: _Limit,
) -> None:
    start, finish = dates.start[i], dates.finish[i]
    for resource, units in mode.uses:
        timelines[resource].vacate(start, finish, units, i)
    fit = last_fit(mode, start, limit.finish, prepared.windows[i], timelines)
    if fit is not None and not mode.uses and prepared.windows[i] is None:
        fit = _as_in_the_day(mode, start, fit[0])
    if fit is not None and not _another_is_sooner(prepared.modes[i], mode, *fit):
        start, finish = fit
        dates.start[i], dates.finish[i] = fit
        dates.held_back_for[i] = limit.follower
    for resource, units in mode.uses:
        timelines[resource].occupy(start, finish, units, i)


def _another_is_sooner(modes: Sequence[FitMode], mode: FitMode, start: int, finish: int) -> bool:
    """Return whether work that no crew is told of would be done another way from `start`.

    It would then not stay where it was announced when the plan is made again.
    """
    return mode.crew is None and any(
        other is not mode and may_finish_by(other, start, finish) for other in modes
    )


def _as_in_the_day(mode: FitMode, old_start: int, start: int) -> tuple[int, int] | None:
    """Return the stretch at or before `start` that begins as its calendar opens, as the old did.

    Others come in visits of whole mornings or afternoons, which must not be cut in two. None when
    that is no later than `old_start`.
    """
    before, slot_of = mode.before, mode.slot_of
    index = before[start]
    if _opens(mode, before[old_start]):
        while not _opens(mode, index):
            index -= 1
    if slot_of[index] <= old_start:
        return None
    return slot_of[index], slot_of[index + mode.work - 1] + 1


def _opens(mode: FitMode, index: int) -> bool:
    """Return whether the working slot of that index comes right after time not worked."""
    return index == 0 or mode.slot_of[index - 1] < mode.slot_of[index] - 1
