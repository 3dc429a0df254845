"""Which deliveries the office confirms this morning: those that could not be had anew in time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from jobs.selectors.call_ahead import CallAheadLine, Standing

if TYPE_CHECKING:
    from collections.abc import Iterable

WEEK = timedelta(days=7)
# Told so long before it comes, or before a new order would be too late: over a weekend; our own.
TOLD_AHEAD = timedelta(days=3)


@dataclass(frozen=True, slots=True)
class SupplierCall:
    """
    Deliveries of one supplier that one answer settles.

    They are due on one day, `due_on`, which is None for all of a supplier's whose day has passed.
    `may_confirm` says whether the supplier has promised that day and it is still to come.
    """

    supplier: str
    due_on: date | None
    may_confirm: bool
    lines: tuple[CallAheadLine, ...]

    @property
    def is_late(self) -> bool:
        """Return whether any is past its day, or due after it is needed."""
        return any(line.standing in (Standing.OVERDUE, Standing.LATE) for line in self.lines)


@dataclass(frozen=True, slots=True)
class SupplierCalls:
    """The calls of a morning, all of a supplier's together, and how many deliveries can wait."""

    calls: tuple[SupplierCall, ...]
    can_wait: int


def supplier_calls(lines: Iterable[CallAheadLine], *, today: date) -> SupplierCalls:
    """
    Return the calls to make of the week's deliveries to confirm, which come the worst first.

    A delivery presses when its day has passed, when it is due after it is needed or within three
    days, and when a new order, if it failed, would soon be too late. What a supplier has stood by
    within a week is done.
    """
    open_lines = [line for line in lines if not _is_confirmed(line, today)]
    pressing = [line for line in open_lines if presses(line, today=today)]
    by_supplier: dict[str, dict[tuple[date, bool], list[CallAheadLine]]] = {}
    for line in pressing:
        may_confirm = line.delivery.promised_on is not None and line.due_on >= today
        key = (max(line.due_on, today - timedelta(days=1)), may_confirm)
        of_supplier = by_supplier.setdefault(line.delivery.supplier, {})
        of_supplier.setdefault(key, []).append(line)
    calls = tuple(
        SupplierCall(supplier, day if day >= today else None, may_confirm, tuple(rows))
        for supplier, days in by_supplier.items()
        for (day, may_confirm), rows in sorted(days.items())
    )
    return SupplierCalls(calls, len(open_lines) - len(pressing))


def presses(line: CallAheadLine, *, today: date) -> bool:
    """Return whether a delivery to confirm is one of this morning's calls."""
    if line.standing in (Standing.OVERDUE, Standing.LATE):
        return True
    soon = today + TOLD_AHEAD
    return line.due_on <= soon or (line.order_by is not None and line.order_by <= soon)


def _is_confirmed(line: CallAheadLine, today: date) -> bool:
    """Return whether a supplier has stood by the promise within a week, and it is not past."""
    confirmed = line.delivery.confirmed_on
    if confirmed is None or line.standing is Standing.OVERDUE:
        return False
    return confirmed > today - WEEK
