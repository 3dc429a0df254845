"""Public holidays, from the `holidays` library."""

from collections.abc import Iterable, Mapping
from datetime import date

import holidays


def public_holidays(
    *, country: str = "US", subdiv: str | None = None, years: Iterable[int]
) -> frozenset[date]:
    """Return the days that `named_holidays` gives, without their names; raises as it does."""
    return frozenset(named_holidays(country=country, subdiv=subdiv, years=years))


def named_holidays(
    *, country: str = "US", subdiv: str | None = None, years: Iterable[int]
) -> Mapping[date, str]:
    """Return the public holidays, observed days included, that fall in `years`, with their names.

    `subdiv` is the library's code of a state or province, or None for the federal days alone.
    Raises ValueError when the library does not know the country or the subdivision.
    """
    try:
        found = holidays.country_holidays(
            country, subdiv=subdiv, years=sorted(set(years)), observed=True
        )
    except NotImplementedError as unknown:
        raise ValueError(
            f"country {country!r}, subdiv {subdiv!r}: no such holiday calendar; "
            "use an ISO 3166 country code and one of its subdivisions"
        ) from unknown
    return dict(found)
