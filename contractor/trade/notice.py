"""An authority's notice: until when it must be asked for a visit, and which comes first."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from contractor.trade.labeled import Labeled
from contractor.trade.workdays import (
    IsWorkingDay,
    working_days_before,
)

__all__ = ["AskedWhen", "IsWorkingDay", "NoticeRule", "first_visit", "request_by"]

MOST_DAYS_AHEAD = 366
"""How far ahead a visit is looked for."""


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
    ``windows`` (site-local start and end, in order). With ``notice_hours`` it
    comes so many hours after the request instead; they run on the authority's
    working days alone, and from the next one's first hour for a request after
    the cut-off. Raises ValueError for a negative notice, for both kinds of it,
    for no window, or for a window that does not run forward.
    """

    cutoff: time
    notice_working_days: int
    windows: tuple[tuple[time, time], ...]
    asked_when: AskedWhen = AskedWhen.READY
    notice_hours: int | None = None

    def __post_init__(self) -> None:
        if self.notice_hours is not None:
            if not 0 <= self.notice_hours <= 24 * 60:
                raise ValueError(
                    f"notice_hours {self.notice_hours}: enter 0 to 1440 hours, or nothing."
                )
            if self.notice_working_days:
                raise ValueError(
                    f"notice_hours {self.notice_hours}: notice is in hours or in working days. "
                    "Enter 0 working days with it."
                )
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


def request_by(*, visit_from: datetime, rule: NoticeRule, is_working_day: IsWorkingDay) -> datetime:
    """
    Return the last moment to ask for a visit that begins at ``visit_from``, aware.

    It is never after that day's cut-off, and one who asks a moment
    later gets a later visit. Raises ValueError for a naive time, for a day on which the
    authority makes no visits, or when it has no working day long enough before.
    """
    if visit_from.utcoffset() is None:
        raise ValueError(
            f"visit_from {visit_from}: this has no time zone. Enter an aware datetime."
        )
    day = visit_from.date()
    if not is_working_day(day):
        raise ValueError(
            f"visit_from {visit_from}: the authority makes no visits that day. Enter a working day."
        )
    if rule.notice_hours is None:
        counted_on = working_days_before(day, rule.notice_working_days, is_working_day)
        latest = visit_from
    else:
        latest = _hours_before(visit_from, rule.notice_hours, is_working_day)
        counted_on = latest.astimezone(visit_from.tzinfo).date()
    by = min(latest, _cutoff_at(counted_on, rule, visit_from), key=_utc)
    return by.astimezone(visit_from.tzinfo)


def first_visit(
    *,
    asked_at: datetime,
    rule: NoticeRule,
    is_working_day: IsWorkingDay,
    ready_at: datetime | None = None,
) -> tuple[datetime, datetime]:
    """
    Return the first window for which a request at ``asked_at`` is in time: start and end, aware.

    It begins neither before the request nor before ``ready_at``. Raises ValueError for a naive
    time, and when no window comes within a year.
    """
    not_before = max(asked_at, ready_at or asked_at, key=_utc)
    first_day = not_before.astimezone(asked_at.tzinfo).date()
    days = (first_day + timedelta(days=n) for n in range(MOST_DAYS_AHEAD))
    for day in filter(is_working_day, days):
        for start, end in rule.windows:
            begins = _aware(day, start, asked_at)
            if _utc(begins) < _utc(not_before):
                continue
            by = request_by(visit_from=begins, rule=rule, is_working_day=is_working_day)
            if _utc(asked_at) <= _utc(by):
                return begins, _aware(day, end, asked_at)
    raise ValueError(
        f"asked_at {asked_at}: no visit within a year. Check the authority's weekdays and closures."
    )


def _cutoff_at(day: date, rule: NoticeRule, like: datetime) -> datetime:
    """
    Return the cut-off of a day.

    One that the clock shows twice counts the first time; one that the clock skips counts an hour
    before it would have come. So nobody who keeps it is late.
    """
    shown = datetime.combine(day, rule.cutoff, tzinfo=like.tzinfo)
    return min(_utc(shown.replace(fold=0)), _utc(shown.replace(fold=1)))


def _hours_before(moment: datetime, hours: int, is_working_day: IsWorkingDay) -> datetime:
    """Return the moment from which so many hours of working days end at another within one."""
    left, at, day = timedelta(hours=hours), _utc(moment), moment.date()
    while True:
        day_begins = _utc(_aware(day, time(), moment))
        if left <= at - day_begins:
            return at - left
        left -= at - day_begins
        day = working_days_before(day, 1, is_working_day)
        at = _utc(_aware(day + timedelta(days=1), time(), moment))


def _aware(day: date, at: time, like: datetime) -> datetime:
    """Return a local time of a day; one that a clock change skips moves past the gap."""
    local = datetime.combine(day, at, tzinfo=like.tzinfo)
    return local.astimezone(UTC).astimezone(like.tzinfo)


def _utc(moment: datetime) -> datetime:
    return moment.astimezone(UTC)
