"""How long a permit lives without work, and what a second visit costs."""

from collections.abc import Iterable
from datetime import date, timedelta
from decimal import Decimal

# IRC R105.5 (from memory): a permit is void if work is not begun within 180 days of its issue,
# or lies idle for 180 days. Some authorities count from the last approved inspection: Lake
# Oswego, Oregon (published rules). The local code decides.
STARTER_LAPSE_DAYS = 180


def lapses_on(
    *, issued_on: date, signs_of_life: Iterable[date] = (), lapse_days: int = STARTER_LAPSE_DAYS
) -> date:
    """
    Return the day on which a permit lapses if nothing more happens.

    ``signs_of_life`` are the day work began and those of approved inspections; what lies before
    the issue does not count. Raises ValueError for fewer days than 1.
    """
    if lapse_days < 1:
        raise ValueError(f"lapse_days {lapse_days}: enter 1 day or more, usually 180.")
    return max((issued_on, *signs_of_life)) + timedelta(days=lapse_days)


def reinspection_fee_usd(*, visits_lost: int, fee_usd: Decimal, due_after: int) -> Decimal:
    """
    Return the fee that the next visit costs, in US dollars.

    ``visits_lost`` are those of one inspection that failed or found the work not ready; with
    ``due_after`` 1 the first of them makes the next visit cost the fee, with 2 the second does.
    Raises ValueError for ``due_after`` below 1.
    """
    if due_after < 1:
        raise ValueError(f"due_after {due_after}: enter 1 for the first failure, or more.")
    return fee_usd if visits_lost >= due_after else Decimal(0)
