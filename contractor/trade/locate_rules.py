"""
Starter notice rules for digging, by state.

Each is marked: "published" was read in the state's law or call-center guide,
"from memory" was not, "assumed" is our own caution where no figure is known.
Check every one with the state's call center before relying on it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

# Where a state sets no life we plan to call again after two weeks.
_ASSUMED_LIFE_DAYS = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class LocateRule:
    """
    One state's rule: notice in working days, life of the ticket, last start.

    ``life_days`` are calendar or working days, from the call or from the
    earliest dig date; ``must_start_days`` are calendar days from the earliest
    dig date. ``marked`` says how sure the figures are.
    """

    state: str
    notice_working_days: int
    count_from_next_day: bool = True
    life_days: int
    life_in_working_days: bool = False
    life_from_dig_date: bool = False
    must_start_days: int | None = None
    marked: str = "from memory"

    def __post_init__(self) -> None:
        if not 1 <= self.notice_working_days <= 15:
            raise ValueError(
                f"notice_working_days {self.notice_working_days}: enter 1 to 15 working days."
            )
        if not 5 <= self.life_days <= 365:
            raise ValueError(f"life_days {self.life_days}: enter 5 to 365 days.")
        if self.must_start_days is not None and not 1 <= self.must_start_days <= 365:
            raise ValueError(
                f"must_start_days {self.must_start_days}: enter 1 to 365 days, or none."
            )


def _rule(
    state: str,
    notice: int,
    life: int = _ASSUMED_LIFE_DAYS,
    marked: str = "from memory",
    *,
    working: bool = False,
    from_dig: bool = False,
    start: int | None = None,
) -> LocateRule:
    return LocateRule(
        state=state,
        notice_working_days=notice,
        life_days=life,
        life_in_working_days=working,
        life_from_dig_date=from_dig,
        must_start_days=start,
        marked=marked,
    )


_PUBLISHED = "published"
_LIFE_ASSUMED = "notice published, life assumed"
_LIFE_MEMORY = "notice published, life from memory"
_NOTICE_MEMORY = "life published, notice from memory"
_ASSUMED = "notice from memory, life assumed"

_RULES = (
    _rule("AL", 2, 20, _PUBLISHED, working=True, from_dig=True),
    _rule("AK", 2, marked=_LIFE_ASSUMED),
    _rule("AZ", 2, 15, _LIFE_MEMORY, working=True),
    _rule("AR", 2, 20, working=True),
    _rule("CA", 2, 28),
    _rule("CO", 2, 30, _PUBLISHED),
    _rule("CT", 2, 30),
    _rule("DE", 2, marked=_ASSUMED),
    _rule("FL", 2, 30),
    _rule("GA", 2, 21),
    _rule("ID", 2, 21),
    _rule("IL", 2, 25, _PUBLISHED),
    _rule("IN", 2, 20, _PUBLISHED),
    _rule("IA", 2, 20, _PUBLISHED),
    _rule("KS", 2, 15, _PUBLISHED, from_dig=True),
    _rule("KY", 2, 21, _PUBLISHED),
    _rule("LA", 2, 20),
    _rule("MA", 3, 30, _NOTICE_MEMORY, start=30),
    _rule("MD", 2, 12, working=True),
    _rule("ME", 3, 30, _NOTICE_MEMORY, start=30),
    _rule("MI", 3, 21, _PUBLISHED, from_dig=True, start=14),
    _rule("MN", 2, 14, _PUBLISHED),
    _rule("MO", 2, 10, "notice published, life counted from marking", from_dig=True, start=10),
    _rule("MS", 3, marked=_ASSUMED),
    _rule("MT", 2, 30, _PUBLISHED),
    _rule("NC", 3, 15, _PUBLISHED, working=True),
    _rule("ND", 2, 21, _PUBLISHED, from_dig=True),
    _rule("NE", 2, 17, _PUBLISHED, from_dig=True),
    _rule("NH", 3, 30, _NOTICE_MEMORY, start=30),
    _rule("NJ", 3, 45, working=True),
    _rule("NM", 2, 15, _PUBLISHED, working=True),
    _rule("NV", 2, 28),
    _rule("NY", 2, marked=_LIFE_ASSUMED, start=14),
    _rule("OH", 2, marked=_LIFE_ASSUMED, start=14),
    _rule("OK", 2, 14, _LIFE_MEMORY),
    _rule("OR", 2, 45),
    _rule("PA", 3, marked=_LIFE_ASSUMED, start=14),
    _rule("RI", 3, 30, _NOTICE_MEMORY, start=30),
    _rule("SC", 3, 15, _PUBLISHED, working=True),
    _rule("SD", 2, 21),
    _rule("TN", 3, 15, _PUBLISHED, from_dig=True),
    _rule("TX", 2, 14, _LIFE_MEMORY, working=True),
    _rule("UT", 2, 21),
    _rule("VA", 3, 15, _LIFE_MEMORY, working=True),
    _rule("VT", 2, 30, _NOTICE_MEMORY, start=30),
    _rule("WA", 2, 45),
    _rule("WI", 3, marked=_LIFE_ASSUMED, start=10),
    _rule("WV", 2, marked=_LIFE_ASSUMED),
    _rule("WY", 2, 14),
)
STARTER_RULES: Mapping[str, LocateRule] = MappingProxyType({rule.state: rule for rule in _RULES})
