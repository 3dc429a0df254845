"""One line of a take-off."""

from dataclasses import dataclass

from contractor.trade.units import number_text


@dataclass(frozen=True, slots=True)
class Line:
    """A quantity with its unit and the sum that gives it."""

    code: str
    label: str
    quantity: float
    unit: str
    arithmetic: str


def line(code: str, label: str, quantity: float, unit: str, sum_text: str) -> Line:
    """Return a line whose arithmetic ends in its rounded result."""
    return Line(code, label, float(quantity), unit, f"{sum_text} = {number_text(quantity)}")
