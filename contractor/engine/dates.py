"""Bare dates: what one pass decides, without the explanation that `decode` works out of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from contractor.engine.compiled import Ints
from contractor.engine.prepared import NONE, Layout
from contractor.engine.state import UNPLANNED, State

__all__ = ["UNPLANNED", "Blocker", "Dates", "dates_of", "freed_by_links"]


class Blocker(NamedTuple):
    """What moved an activity last: `resource` was held by `holder` until `slot`.

    The resource may be WINDOW or PAUSE; the holder is negative where no activity is known to be.
    """

    resource: int
    holder: int
    slot: int


@dataclass(frozen=True, slots=True)
class Dates:
    """The outcome by activity. `mode` is UNPLANNED where there is none, and then dates are 0."""

    mode: list[int]
    crew: list[int | None]
    start: list[int]
    finish: list[int]
    blocker: list[Blocker | None]
    held_by: dict[int, int]
    """Unplanned activities, each with the unplanned leader that holds it, or itself."""
    broken_pins: list[int]
    begins: dict[int, int]
    """By job, the slot before which none of its open work begins, so that it runs through."""
    not_before: dict[int, int]
    """By activity, the slot before which it does not begin on purpose."""
    held_back_for: list[int | None]
    """The follower toward which an activity was moved, so that its job runs through."""


def dates_of(layout: Layout, state: State) -> Dates:
    """Return what stands in `state` as plain lists that last."""
    unplanned = np.flatnonzero(state.mode == UNPLANNED).tolist()
    begun = np.flatnonzero(state.begins_by_job).tolist()
    blocked = np.flatnonzero(state.blocker_resource != NONE)
    blocker: list[Blocker | None] = [None] * layout.size
    for i, resource, holder, slot in zip(
        blocked.tolist(),
        state.blocker_resource[blocked].tolist(),
        state.blocker_holder[blocked].tolist(),
        state.blocker_slot[blocked].tolist(),
        strict=True,
    ):
        blocker[i] = Blocker(resource, holder, slot)
    return Dates(
        mode=state.mode.tolist(),
        crew=_or_none(state.crew),
        start=state.start.tolist(),
        finish=state.finish.tolist(),
        blocker=blocker,
        held_by={i: int(state.held_by[i]) for i in unplanned},
        broken_pins=np.flatnonzero(state.pin_broken).tolist(),
        begins={job: int(state.begins_by_job[job]) for job in begun},
        not_before={int(i): int(state.not_before[i]) for i in np.flatnonzero(state.not_before)},
        held_back_for=_or_none(state.held_for),
    )


def freed_by_links(layout: Layout, start: Ints, finish: Ints) -> Ints:
    """Return the slot from which each link lets its follower start, in the order of the layout."""
    leader, wait = layout.leader, layout.leader_wait
    slot = np.where(layout.leader_start_to_start, start[leader], finish[leader])
    waits = np.flatnonzero(wait != NONE)
    slot[waits] = layout.wait_table[wait[waits] * (layout.axis_slots + 1) + slot[waits]]
    return slot


def _or_none(values: Ints) -> list[int | None]:
    listed: Sequence[int] = values.tolist()
    return [None if value == NONE else value for value in listed]
