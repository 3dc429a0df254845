"""What a domain tells of a hold: `open_holds(jobs, now)`, which `jobs.selectors.holds` collects."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from contractor.trade.labeled import Labeled

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

    from jobs.models import Job


class HoldKind(Labeled):
    """What a phase waits for."""

    PERMIT = "PERMIT"
    DRAWINGS = "DRAWINGS"
    LOCATE = "LOCATE"
    POSITIVE_RESPONSE = "POSITIVE_RESPONSE"
    DELIVERY = "DELIVERY"
    INSPECTION = "INSPECTION"
    CURE = "CURE"
    WEATHER = "WEATHER"
    SITE_NOT_READY = "SITE_NOT_READY"
    EARLIEST_DATE = "EARLIEST_DATE"

    @property
    def label(self) -> str:
        """Return the kind in words."""
        return "Locate ticket" if self is HoldKind.LOCATE else super().label


class Clears(Labeled):
    """Who can clear a hold; NOBODY: only time does."""

    AUTHORITY = "AUTHORITY"
    UTILITY = "UTILITY"
    SUPPLIER = "SUPPLIER"
    BUYER = "BUYER"
    OFFICE = "OFFICE"
    NOBODY = "NOBODY"

    @property
    def label(self) -> str:
        """Return who, in words."""
        return "Nobody: time" if self is Clears.NOBODY else super().label


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldFact:
    """
    One thing that must clear before a phase may start, read from rows.

    `what` is told to crews and must be the same words as long as the rows are the same: no
    today, no "overdue". `since` is None where nobody noted it, `expected_on` where nobody can say;
    `who` names the authority, supplier or utility. A hold is cleared from `cleared_on` on.
    """

    job_id: int
    kind: HoldKind
    phase_code: str
    what: str
    clears: Clears
    who: str = ""
    since: date | None = None
    expected_on: date | None = None
    cleared_on: date | None = None

    @property
    def is_open(self) -> bool:
        """Return whether the phase still waits for it."""
        return self.cleared_on is None


class TellsHolds(Protocol):
    """What a domain offers: its holds of these jobs at `now`, in a constant number of queries."""

    def __call__(self, jobs: Sequence[Job], now: datetime) -> list[HoldFact]:
        """Return open holds, and cleared ones where a row remembers them."""
