"""The page of all open holds, and how a hold is shown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from django.utils import timezone

from inspections.selectors.locate import ticket_warnings
from jobs.admin.words import day
from jobs.selectors.holds import HoldCost, ShownHold, holds

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

# The two weeks that an office rebuilds every Friday; common practice, no source.
SOON_DAYS = 14


@dataclass(frozen=True, slots=True)
class HoldRow:
    """
    A hold with its days in words.

    `is_dear` when each day of it costs one of the promise; `is_soon` when at most two weeks lie
    between the day it should clear and the booked start.
    """

    hold: ShownHold
    since: str
    expected: str
    is_dear: bool
    is_soon: bool


def hold_rows(shown: Iterable[ShownHold]) -> list[HoldRow]:
    """Return holds as the pages show them."""
    today = timezone.localdate()
    rows = []
    for hold in shown:
        fact = hold.fact
        expected = day(fact.expected_on) if fact.expected_on else "nobody has said when"
        if fact.expected_on and fact.expected_on < today:
            expected += ", overdue"
        since = (day(fact.since) if fact.since else "not noted") if fact.is_open else ""
        rows.append(
            HoldRow(
                hold=hold,
                since=since if fact.is_open else day(fact.cleared_on),
                expected=expected,
                is_dear=bool(hold.cost and hold.cost.promise_days),
                is_soon=_is_soon(hold.cost),
            )
        )
    return rows


def _is_soon(cost: HoldCost | None) -> bool:
    return cost is not None and cost.margin_days <= SOON_DAYS


def holds_context(*, now: datetime) -> dict[str, Any]:
    """Return what the page of all holds shows."""
    rows = hold_rows(holds(now=now))
    return {
        "title": "Holds",
        "soon": [row for row in rows if row.is_soon],
        "later": [row for row in rows if not row.is_soon],
        "warnings": ticket_warnings(now=now),
    }
