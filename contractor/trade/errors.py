"""What is wrong with a building, told so that the reader can mend it."""

from collections.abc import Iterable
from dataclasses import dataclass


def value_text(value: object) -> str:
    """Return a value as a person would type it: 50 rather than 50.0."""
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, str):
        return value if value.isprintable() and value.strip() else repr(value)
    try:
        return str(value)
    except ValueError:  # Python refuses to print integers of thousands of digits.
        return "(too long to show)"


@dataclass(frozen=True, slots=True)
class Fault:
    """One value that cannot be built, with the field, the reason and the way out."""

    field: str
    value: object
    message: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.field} {value_text(self.value)}: {self.message}. {self.remedy}"


@dataclass(frozen=True, slots=True)
class Caution:
    """Something allowed but unusual, or something that can hurt people."""

    field: str
    value: object
    message: str

    def __str__(self) -> str:
        return f"{self.field} {value_text(self.value)}: {self.message}"


class SpecError(ValueError):
    """A building that cannot be built as described; carries every fault found."""

    faults: tuple[Fault, ...]

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))
