"""Counting an office's own working days, whatever calendar it keeps."""

from collections.abc import Callable
from datetime import date, timedelta

IsWorkingDay = Callable[[date], bool]

# An office closed this long is a wrong calendar, not a long holiday.
_LONGEST_CLOSURE_DAYS = 3660


def on_or_after(day: date, is_working_day: IsWorkingDay) -> date:
    """
    Return the first working day on or after a day.

    Raises ValueError when there is none within ten years.
    """
    for ahead in range(_LONGEST_CLOSURE_DAYS):
        candidate = day + timedelta(days=ahead)
        if is_working_day(candidate):
            return candidate
    raise ValueError(
        f"is_working_day: no working day in the ten years after {day}. Check the office's calendar."
    )


def add_working_days(day: date, count: int, is_working_day: IsWorkingDay) -> date:
    """Return the ``count``-th working day after a day; the day itself for 0."""
    for _ in range(count):
        day = on_or_after(day + timedelta(days=1), is_working_day)
    return day


def working_days_before(day: date, count: int, is_working_day: IsWorkingDay) -> date:
    """
    Return the ``count``-th working day before a day; the day itself for 0.

    Raises ValueError when there is none within ten years.
    """
    for _ in range(count):
        behind = (day - timedelta(days=n) for n in range(1, _LONGEST_CLOSURE_DAYS))
        found = next((candidate for candidate in behind if is_working_day(candidate)), None)
        if found is None:
            raise ValueError(
                f"is_working_day: no working day in the ten years before {day}. "
                "Check the office's calendar."
            )
        day = found
    return day
