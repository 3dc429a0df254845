"""How concrete cures from its placing on, as the clock of the service tells it."""

from collections.abc import Sequence
from typing import Any

from contractor.trade.cure import CureClock


def hours_to_strength(
    *, share: float, cement: str, temps_degc_by_hour: Any, minimum_hours: float = 0.0
) -> float:
    """Return the hours from placing until concrete has a share of its strength."""
    ready = CureClock(temps_degc_by_hour).ready_hour(0, share, cement, minimum_hours)
    assert ready is not None, "the temperatures end too soon"
    return ready


def equivalent_age_hours(temps_degc: Sequence[float], reference_degc: float = 20.0) -> float:
    """Return the age at a steady temperature that has the same strength as these hours."""
    clock, steady = CureClock(temps_degc), CureClock([reference_degc])
    return clock.age_hours(clock.hours) / steady.age_hours(1)
