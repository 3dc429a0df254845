"""
Starter notice rules for digging, by state.

Each is marked: "published" was read in the state's law or call-center guide,
"from memory" was not, "assumed" is our own caution where no figure is known.
Check every one with the state's call center before relying on it. The office
corrects them in rows of its own; these are what the rows start with.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import time
from types import MappingProxyType

# Where a state sets no life we plan to call again after two weeks.
_ASSUMED_LIFE_DAYS = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class LocateRule:
    """
    One state's rule: notice, life of the ticket, last start, longest pause.

    The notice is ``notice_working_days``, or ``notice_hours`` that run on working days only;
    one of the two is given. It counts from the next day, or from the call itself. A call after
    ``call_by`` counts as made the next day. ``life_days`` are calendar or working days, from the
    call or from the earliest dig date; ``must_start_days`` are calendar days from the earliest
    dig date; a dig that rests longer than ``idle_limit_days`` loses its ticket. With
    ``must_view_response`` nobody digs before all utilities' answers have been read. ``marked``
    says how sure the figures are.
    """

    state: str
    notice_working_days: int = 0
    notice_hours: int = 0
    count_from_next_day: bool = True
    call_by: time | None = None
    life_days: int
    life_in_working_days: bool = False
    life_from_dig_date: bool = False
    must_start_days: int | None = None
    idle_limit_days: int | None = None
    must_view_response: bool = False
    marked: str = "from memory"

    def __post_init__(self) -> None:
        if self.notice_hours and self.notice_working_days:
            raise ValueError(
                f"notice_hours {self.notice_hours}: working days are given too. Enter one of them."
            )
        if self.notice_hours and not 1 <= self.notice_hours <= 360:
            raise ValueError(f"notice_hours {self.notice_hours}: enter 1 to 360 hours.")
        if not self.notice_hours and not 1 <= self.notice_working_days <= 15:
            raise ValueError(
                f"notice_working_days {self.notice_working_days}: enter 1 to 15 working days."
            )
        if not 5 <= self.life_days <= 365:
            raise ValueError(f"life_days {self.life_days}: enter 5 to 365 days.")
        for name in ("must_start_days", "idle_limit_days"):
            days = getattr(self, name)
            if days is not None and not 1 <= days <= 365:
                raise ValueError(f"{name} {days}: enter 1 to 365 days, or none.")

    @property
    def notice_days(self) -> int:
        """Return the notice as whole working days; a part of a day counts as one."""
        return self.notice_working_days or -(-self.notice_hours // 24)


def _rule(
    state: str,
    notice: int,
    life: int = _ASSUMED_LIFE_DAYS,
    marked: str = "from memory",
    *,
    hours: int = 0,
    working: bool = False,
    from_dig: bool = False,
    start: int | None = None,
    idle: int | None = None,
    call_by: time | None = None,
    viewed: bool = False,
) -> LocateRule:
    """Return a rule; hours in place of working days run from the call itself."""
    return LocateRule(
        state=state,
        notice_working_days=0 if hours else notice,
        notice_hours=hours,
        count_from_next_day=not hours,
        call_by=call_by,
        life_days=life,
        life_in_working_days=working,
        life_from_dig_date=from_dig,
        must_start_days=start,
        idle_limit_days=idle,
        must_view_response=viewed,
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
    _rule("DC", 2, 15, working=True),
    _rule("DE", 2, marked=_ASSUMED),
    _rule("FL", 2, 30),
    _rule("GA", 0, 21, hours=48),
    _rule("HI", 5, 28),
    _rule("ID", 2, 21),
    _rule("IL", 2, 25, _PUBLISHED, viewed=True),
    _rule("IN", 2, 20, _PUBLISHED, viewed=True, call_by=time(18, 0)),
    _rule("IA", 0, 20, _PUBLISHED, hours=48),
    _rule("KS", 2, 15, _PUBLISHED, from_dig=True),
    _rule("KY", 2, 21, _PUBLISHED),
    _rule("LA", 0, 20, hours=48),
    _rule("MA", 0, 30, _NOTICE_MEMORY, hours=72, start=30),
    _rule("MD", 2, 12, working=True),
    _rule("ME", 0, 30, _NOTICE_MEMORY, hours=72, start=30),
    _rule("MI", 3, 21, _PUBLISHED, from_dig=True, start=14),
    _rule("MN", 2, 14, _PUBLISHED),
    _rule("MO", 2, 10, "notice published, life counted from marking", from_dig=True, start=10),
    _rule("MS", 3, marked=_ASSUMED),
    _rule("MT", 2, 30, _PUBLISHED),
    _rule("NC", 3, 15, _PUBLISHED, working=True),
    _rule("ND", 0, 21, _PUBLISHED, hours=48, from_dig=True),
    _rule("NE", 2, 17, _PUBLISHED, from_dig=True),
    _rule("NH", 0, 30, _NOTICE_MEMORY, hours=72, start=30),
    _rule("NJ", 3, 45, working=True),
    _rule("NM", 2, 15, _PUBLISHED, working=True),
    _rule("NV", 2, 28),
    _rule("NY", 2, marked=_LIFE_ASSUMED, start=14),
    _rule("OH", 0, marked=_LIFE_ASSUMED, hours=48, start=14),
    _rule("OK", 0, 14, _LIFE_MEMORY, hours=48),
    _rule("OR", 2, 45),
    _rule("PA", 3, marked=_LIFE_ASSUMED, start=14),
    _rule("RI", 0, 30, _NOTICE_MEMORY, hours=72, start=30),
    _rule("SC", 3, 15, _PUBLISHED, working=True),
    _rule("SD", 0, 21, hours=48),
    _rule("TN", 3, 15, _PUBLISHED, from_dig=True),
    _rule("TX", 0, 14, _LIFE_MEMORY, hours=48, working=True),
    _rule("UT", 2, 21),
    _rule("VA", 3, 15, _LIFE_MEMORY, working=True),
    _rule("VT", 0, 30, _NOTICE_MEMORY, hours=48, start=30),
    _rule("WA", 2, 45),
    _rule("WI", 3, marked=_LIFE_ASSUMED, start=10, idle=10),
    _rule("WV", 0, marked=_LIFE_ASSUMED, hours=48),
    _rule("WY", 2, 14),
)
STARTER_RULES: Mapping[str, LocateRule] = MappingProxyType({rule.state: rule for rule in _RULES})
