"""Public holidays as days off of everyone."""

from collections.abc import Iterable

from django.db import transaction

from contractor.engine.worktime import named_holidays
from crews import selectors
from crews.models import DayOff, HolidayYear
from crews.services.feed_events import shortened

REASON_CHARACTERS = 80


def ensure_public_holidays(*, years: Iterable[int]) -> tuple[int, ...]:
    """
    Return the years whose public holidays were written now, as days off for everyone.

    A year is written once: a holiday that the office deletes, because the firm works on it,
    does not come back. Names and days are those of the firm's state, observed days included.

    Raises
    ------
    NoFirm
        If no firm is entered.
    ValueError
        If no calendar is known for the firm's state.
    """
    asked = sorted(set(years))
    known = set(HolidayYear.objects.filter(year__in=asked).values_list("year", flat=True))
    missing = [year for year in asked if year not in known]
    if not missing:
        return ()
    state = selectors.firm().state
    return tuple(year for year in missing if _write_holidays(state=state, year=year))


def _write_holidays(*, state: str, year: int) -> bool:
    try:
        named = named_holidays(country="US", subdiv=state, years=[year])
    except ValueError:
        raise ValueError(
            f"state {state!r}: no public holidays are known for it; correct the firm's state."
        ) from None
    with transaction.atomic():
        # The year is unique: whoever comes second waits for the first, then writes nothing.
        _, is_ours = HolidayYear.objects.get_or_create(year=year)
        if is_ours:
            DayOff.objects.bulk_create(
                DayOff(
                    first_day=day,
                    last_day=day,
                    reason=shortened(name, REASON_CHARACTERS),
                    is_public_holiday=True,
                )
                for day, name in sorted(named.items())
            )
    return is_ours
