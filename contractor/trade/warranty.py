"""How long the builder answers for the work."""

from datetime import date

from dateutil.relativedelta import relativedelta

# Workmanship is warranted from the day of completion; common practice, no source.
WORKMANSHIP_YEARS = 5


def workmanship_ends_on(completed_on: date, years: int = WORKMANSHIP_YEARS) -> date:
    """
    Return the last anniversary of completion on which workmanship is warranted.

    29 February falls back to 28 February in common years. Raises ValueError
    for fewer than 1 or more than 50 years.
    """
    if not 1 <= years <= 50:
        raise ValueError(f"years {years}: a warranty runs 1 to 50 years. Enter 5 as usual.")
    return completed_on + relativedelta(years=years)


def under_warranty(*, asked_on: date, completed_on: date, years: int = WORKMANSHIP_YEARS) -> bool:
    """Return whether a callback asked for on a day is covered, the last day included."""
    return completed_on <= asked_on <= workmanship_ends_on(completed_on, years)
