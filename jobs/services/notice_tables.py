"""The wait from asking an authority to its visit, as a table on an axis."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from contractor.trade.notice import request_by

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from contractor.engine.worktime import Axis
    from contractor.trade.notice import NoticeRule


@lru_cache(maxsize=64)
def notice_table(
    axis: Axis,
    zone: ZoneInfo,
    rule: NoticeRule,
    weekdays: frozenset[int],
    closed: frozenset[date],
) -> NDArray[np.int32]:
    """
    Return the first visit by the moment of asking, by slot of `axis`.

    Each visit has a last moment to ask for it; a slot's answer is the first visit whose moment
    has not passed by then. Kept from plan to plan: it changes with the day and with the
    authority's own rules only.
    """

    def is_working_day(day: date) -> bool:
        return day.weekday() in weekdays and day not in closed

    first = axis.instant(0).astimezone(zone).date()
    last = axis.instant(axis.slots)
    days = (
        first + timedelta(days=n) for n in range((last.astimezone(zone).date() - first).days + 1)
    )
    moments = (
        datetime.combine(day, opens, tzinfo=zone).astimezone(UTC).astimezone(zone)
        for day in days
        if is_working_day(day)
        for opens, _ in rule.windows
    )
    visits, last_slots = [], []
    for visit_from in moments:
        if axis.origin <= visit_from <= last:
            asked_by = request_by(visit_from=visit_from, rule=rule, is_working_day=is_working_day)
            visits.append(axis.slot_at_or_after(visit_from))
            last_slots.append(-1 if asked_by < axis.origin else axis.slot_at_or_before(asked_by))
    found = np.searchsorted(last_slots, np.arange(axis.slots + 1), side="left")
    table = np.append(np.array(visits, dtype=np.int64), axis.slots)[found]
    kept: NDArray[np.int32] = np.maximum(table, np.arange(table.size)).astype(np.int32)
    kept.flags.writeable = False
    return kept
