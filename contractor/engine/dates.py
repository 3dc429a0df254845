"""Bare dates: what one pass decides, without the explanation that `decode` works out of it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

UNPLANNED = -1
WINDOW = -1
"""Stands where a `Blocker` names a resource: it was a window that held the activity back."""
PAUSE = -2
"""Stands there too: the work would have had to stop for a pause longer than it may have."""


class Blocker(NamedTuple):
    """What moved an activity last: `resource` was held by `holder` until `slot`."""

    resource: int
    holder: int
    slot: int


@dataclass(slots=True)
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
    begins: Mapping[int, int]
    """By job, the slot before which none of its open work begins, so that it runs through."""
    held_back_for: list[int | None]
    """The follower toward which an activity was moved, so that its job runs through."""
