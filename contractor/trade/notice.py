"""How soon an authority comes after it is asked."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from contractor.trade.labeled import Labeled
from contractor.trade.workdays import IsWorkingDay, add_working_days, on_or_after

__all__ = ["AskedWhen", "IsWorkingDay", "NoticeRule", "earliest_visit"]

_FARTHEST_VISIT_DAYS = 366


class AskedWhen(Labeled):
    """When the office asks for the visit."""

    READY = "READY"
    WORK_STARTED = "WORK_STARTED"
    AHEAD = "AHEAD"


@dataclass(frozen=True, slots=True)
class NoticeRule:
    """
    One authority's rule: asked by ``cutoff`` the day counts, later the next does.

    ``notice_working_days`` after the counted day comes the visit, in one of
    ``windows`` (site-local start and end, in order). Raises ValueError for a
    negative notice, no window, or a window that does not run forward.
    """

    cutoff: time
    notice_working_days: int
    windows: tuple[tuple[time, time], ...]
    asked_when: AskedWhen = AskedWhen.READY

    def __post_init__(self) -> None:
        if not 0 <= self.notice_working_days <= 60:
            raise ValueError(
                f"notice_working_days {self.notice_working_days}: enter 0 to 60 working days."
            )
        if not self.windows:
            raise ValueError("windows (): an authority comes in at least one window. Enter one.")
        edges = [edge for window in self.windows for edge in window]
        if edges != sorted(edges) or any(start >= end for start, end in self.windows):
            raise ValueError(
                f"windows {self.windows}: windows run forward and in order. "
                "Enter start before end, morning first."
            )


def earliest_visit(
    *,
    asked_at: datetime,
    rule: NoticeRule,
    is_working_day: IsWorkingDay,
    ready_at: datetime | None = None,
) -> tuple[datetime, datetime]:
    """
    Return the first window in which the authority may come, aware, start and end.

    The authority's days are those of ``asked_at``'s zone. A request exactly at
    the cut-off is in time. No window starts before the request or before
    ``ready_at``. Raises ValueError for naive times, or when no window comes
    within a year.
    """
    for name, moment in (("asked_at", asked_at), ("ready_at", ready_at)):
        if moment is not None and moment.utcoffset() is None:
            raise ValueError(f"{name} {moment}: this has no time zone. Enter an aware datetime.")
    not_before = max(asked_at, ready_at or asked_at, key=lambda at: at.astimezone(UTC))
    visit_day = _first_visit_day(asked_at, rule, is_working_day)
    # Nothing before the site's day on which the work is ready needs a look.
    visit_day = max(visit_day, not_before.astimezone(asked_at.tzinfo).date())
    for start, end in _windows_from(visit_day, rule, is_working_day, asked_at):
        if start.astimezone(UTC) >= not_before.astimezone(UTC):
            return start, end
    raise ValueError(
        f"windows {rule.windows}: no visit within a year of {asked_at}. Check the calendar."
    )


def _first_visit_day(asked_at: datetime, rule: NoticeRule, is_working_day: IsWorkingDay) -> date:
    day = asked_at.date()
    in_time = asked_at.time() <= rule.cutoff
    counted = on_or_after(day if in_time else day + timedelta(days=1), is_working_day)
    return add_working_days(counted, rule.notice_working_days, is_working_day)


def _windows_from(
    day: date, rule: NoticeRule, is_working_day: IsWorkingDay, asked_at: datetime
) -> Iterator[tuple[datetime, datetime]]:
    last = day + timedelta(days=_FARTHEST_VISIT_DAYS)
    while day <= last:
        day = on_or_after(day, is_working_day)
        for start, end in rule.windows:
            yield _aware(day, start, asked_at), _aware(day, end, asked_at)
        day += timedelta(days=1)


def _aware(day: date, at: time, like: datetime) -> datetime:
    """Return a local time of a day; one that a clock change skips moves past the gap."""
    local = datetime.combine(day, at, tzinfo=like.tzinfo)
    return local.astimezone(UTC).astimezone(like.tzinfo)
