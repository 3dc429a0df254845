"""Choices that are stored by name and shown by a readable label."""

from enum import StrEnum
from typing import Any


class Labeled(StrEnum):
    """A choice stored by its upper-case name and shown by a readable label."""

    @property
    def label(self) -> str:
        """Return the choice in readable English."""
        return _LABELS.get(self.value, self.value.replace("_", " ").capitalize())


_LABELS = {
    "AUTO": "By length",
    "SLAB_BRACKET": "Slab with brackets",
    "BLOWN_AND_BATTS": "Blown ceiling and batts",
    "DRYWALL_READY": "Ready for drywall",
    "HARD": "Hard clay or roots",
    "ROCK": "Rock",
    "GOOD": "Good soil",
    "READY": "When the work is ready",
    "WORK_STARTED": "When the work starts",
    "AHEAD": "Booked ahead",
    "SUB": "Outside trade",
    "LOCATE": "Locate notice",
    "": "Any weather",
    "GROUND": "Mud and frost",
    "TRUSS": "Wind on trusses",
    "ROOF": "Wet or windy roof",
    "WALL": "Wind on wall steel",
    "LIFT": "Wind on lifts",
    "OUTDOORS": "All outdoor work",
    "BUYERS_CHANGE": "Buyer's change",
    "KNOCK_ON": "Knock-on",
}


def settle_choice(owner: object, field: str, choice: type[Labeled]) -> None:
    """Replace a stored name such as "SHOP" by its member; leave anything else to the checks."""
    value: Any = getattr(owner, field)
    if type(value) is str and value in choice.__members__:
        object.__setattr__(owner, field, choice[value])
