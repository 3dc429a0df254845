"""How soon an authority comes after it is asked, and until when to ask for a visit."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from contractor.trade.labeled import Labeled
from contractor.trade.workdays import (
    IsWorkingDay,
    add_working_days,
    on_or_after,
    working_days_before,
)

__all__ = ["AskedWhen", "IsWorkingDay", "NoticeRule", "earliest_visit", "request_by"]

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
    counted_at = _counted_at(asked_at, rule, is_working_day)
    if rule.notice_hours is None:
        counted_on = counted_at.astimezone(asked_at.tzinfo).date()
        visit_day = add_working_days(counted_on, rule.notice_working_days, is_working_day)
        noticed_at = asked_at
    else:
        noticed_at = _hours_after(counted_at, rule.notice_hours, is_working_day, asked_at)
        visit_day = noticed_at.astimezone(asked_at.tzinfo).date()
    not_before = max(asked_at, noticed_at, ready_at or asked_at, key=_utc)
    # Nothing before the site's day on which the work is ready needs a look.
    visit_day = max(visit_day, not_before.astimezone(asked_at.tzinfo).date())
    for start, end in _windows_from(visit_day, rule, is_working_day, asked_at):
        if _utc(start) >= _utc(not_before):
            return start, end
    raise ValueError(
        f"windows {rule.windows}: no visit within a year of {asked_at}. Check the calendar."
    )


def request_by(*, visit_from: datetime, rule: NoticeRule, is_working_day: IsWorkingDay) -> datetime:
    """
    Return the last moment to ask for a visit that begins at ``visit_from``, aware.

    It is never after that day's cut-off, and a minute later the answer of ``earliest_visit``
    is a later visit. Raises ValueError for a naive time, for a day on which the
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


def _counted_at(asked_at: datetime, rule: NoticeRule, is_working_day: IsWorkingDay) -> datetime:
    """Return when the notice begins: at once in time on a working day, else as the next begins."""
    day = asked_at.date()
    in_time = _utc(asked_at) <= _utc(_cutoff_at(day, rule, asked_at))
    if in_time and is_working_day(day):
        return asked_at
    counted_on = on_or_after(day if in_time else day + timedelta(days=1), is_working_day)
    return _aware(counted_on, time(), asked_at)


def _cutoff_at(day: date, rule: NoticeRule, like: datetime) -> datetime:
    """
    Return the cut-off of a day.

    One that the clock shows twice counts the first time; one that the clock skips counts an hour
    before it would have come. So nobody who keeps it is late.
    """
    shown = datetime.combine(day, rule.cutoff, tzinfo=like.tzinfo)
    return min(_utc(shown.replace(fold=0)), _utc(shown.replace(fold=1)))


def _hours_after(
    moment: datetime, hours: int, is_working_day: IsWorkingDay, like: datetime
) -> datetime:
    """Return the end of so many hours of working days, counted from a moment within one."""
    left, at = timedelta(hours=hours), _utc(moment)
    day = moment.astimezone(like.tzinfo).date()
    while True:
        day_ends = _utc(_aware(day + timedelta(days=1), time(), like))
        if left <= day_ends - at:
            return at + left
        left -= day_ends - at
        day = on_or_after(day + timedelta(days=1), is_working_day)
        at = _utc(_aware(day, time(), like))


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


def _utc(moment: datetime) -> datetime:
    return moment.astimezone(UTC)
