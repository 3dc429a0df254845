"""One pass of the decoder from Python: an order and choices in, dates out."""

from collections.abc import Mapping, Sequence

import numpy as np

from contractor.engine.compiled import Floats, Ints
from contractor.engine.dates import Dates, dates_of
from contractor.engine.occupancy import new_state
from contractor.engine.placing import Pass
from contractor.engine.prepared import NONE, Layout
from contractor.engine.serial import TOO_DEAR, TOO_LONG, run_pass
from contractor.engine.state import State
from contractor.engine.worktime import HorizonExceeded

__all__ = [
    "Keys",
    "order_by_start",
    "pass_exactly",
    "pass_into",
    "run_serial",
    "sort_by",
]

Keys = tuple[Floats, ...]
"""What activities are sorted by, first things first."""


def run_serial(
    layout: Layout,
    order: Sequence[int],
    *,
    crew_choice: Mapping[int, int] | None = None,
    mode_choice: Mapping[int, int] | None = None,
    begins: Mapping[int, int] | None = None,
    right_shift: bool = False,
    in_turn: bool = True,
) -> Dates:
    """Return dates for all activities, taken by rank and then in `order` as leaders allow.

    `order` names every activity once. `crew_choice` names a crew by activity, used where it has a
    mode; `mode_choice` a mode. `begins` holds the open work of a job back until a slot. With
    `right_shift` what was announced keeps its crew, never starts earlier, and keeps its order on
    the crew; without `in_turn` it may be overtaken while it waits.
    Raises HorizonExceeded when something does not fit on the axis.
    """
    state = new_state(layout)
    for job, slot in (begins or {}).items():
        state.begins_by_job[job] = slot
    pass_into(
        layout,
        state,
        positions(order, layout.size),
        crew_choice=_chosen(layout.size, crew_choice),
        mode_choice=_chosen(layout.size, mode_choice),
        right_shift=right_shift,
        in_turn=in_turn,
    )
    return dates_of(layout, state)


def pass_into(
    layout: Layout,
    state: State,
    position: Ints,
    *,
    crew_choice: Ints | None = None,
    mode_choice: Ints | None = None,
    not_before: Ints | None = None,
    tightens: bool = True,
    change_crew_slots: int | None = None,
    right_shift: bool = False,
    in_turn: bool = True,
    staffs: bool = False,
    first_ready: bool = False,
    exactly: bool = False,
    at_most: float = np.inf,
) -> bool:
    """Run one pass into `state`, with choices as arrays. Raises HorizonExceeded.

    False where it was given up, late and sure to cost more than `at_most`.
    """
    state.crew_choice[:] = NONE if crew_choice is None else crew_choice
    state.mode_choice[:] = NONE if mode_choice is None else mode_choice
    state.not_before[:] = 0 if not_before is None else not_before
    how = Pass(
        change_crew_slots=(
            layout.change_crew_slots if change_crew_slots is None else change_crew_slots
        ),
        right_shift=right_shift,
        in_turn=in_turn,
        tightens=tightens,
        staffs=staffs,
        first_ready=first_ready,
        exactly=exactly,
    )
    ending = run_pass(layout, state, how, position, at_most)
    if ending == TOO_LONG:
        raise HorizonExceeded("some work does not end on the axis")
    return ending != TOO_DEAR


def pass_exactly(layout: Layout, state: State, mode: Ints, start: Ints) -> None:
    """Give everything the mode and start it has already, as far as these keep all rules.

    What would break one starts later, or has no place; what has no mode (-1) stays without a
    place. Pins and the freeze ask for nothing here, as their price has been weighed before.
    Raises HorizonExceeded.
    """
    state.begins_by_job[:] = 0
    pass_into(
        layout,
        state,
        order_by_start(layout, start),
        mode_choice=mode,
        not_before=start,
        tightens=False,
        exactly=True,
    )


def order_by_start(layout: Layout, start: Ints | Floats) -> Ints:
    """Return positions by start, leaders first at the same start."""
    return sort_by(layout, (start.astype(np.float64),))


def sort_by(layout: Layout, keys: Keys) -> Ints:
    """Return the position of each activity when sorted by `keys`, leaders first among equals."""
    in_turn = layout.topological
    position = np.empty(layout.size, dtype=np.int32)
    position[in_turn[np.lexsort([key[in_turn] for key in reversed(keys)])]] = np.arange(
        layout.size, dtype=np.int32
    )
    return position


def positions(order: Sequence[int], size: int) -> Ints:
    """Return the place of each activity in `order`; ValueError where one is missing or twice."""
    position = np.full(size, NONE, dtype=np.int32)
    for place, activity in enumerate(order):
        if not 0 <= activity < size:
            raise ValueError(f"order: {activity} is not an activity from 0 to {size - 1}")
        if position[activity] >= 0:
            raise ValueError(f"order: activity {activity} is named twice")
        position[activity] = place
    if len(order) != size:
        missing = int(np.flatnonzero(position == NONE)[0])
        raise ValueError(f"order: activity {missing} is not named")
    return position


def _chosen(size: int, choice: Mapping[int, int] | None) -> Ints:
    chosen = np.full(size, NONE, dtype=np.int32)
    for activity, value in (choice or {}).items():
        chosen[activity] = value
    return chosen
