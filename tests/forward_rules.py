"""
Two rules of waiting told forward, from the moment of the call.

The service tells the last moment to ask for a visit, and the first whole day to dig. What it
tells is held against these, which go the other way and count by the hour.
"""

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta

from contractor.trade.locate import LocateRule, call_date, earliest_dig_date
from contractor.trade.notice import NoticeRule
from contractor.trade.workdays import IsWorkingDay, add_working_days, on_or_after

FARTHEST_VISIT_DAYS = 366


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
    ``ready_at``. Raises ValueError when no window comes within a year.
    """
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


def earliest_dig_at(
    called_at: datetime, rule: LocateRule, is_working_day: IsWorkingDay
) -> datetime:
    """
    Return the first moment at which digging is legal after a call, in the call's own zone.

    Hours run from midnight to midnight of working days, by the clock on the wall.
    """
    counted = call_date(called_at, rule)
    wall = called_at.replace(tzinfo=None)
    if rule.notice_hours and not rule.count_from_next_day:
        if counted != wall.date() or not is_working_day(counted):
            wall = datetime.combine(on_or_after(counted, is_working_day), time())
        wall = _wall_after(wall, timedelta(hours=rule.notice_hours), is_working_day)
    else:
        wall = datetime.combine(earliest_dig_date(counted, rule, is_working_day), time())
    return wall.replace(tzinfo=called_at.tzinfo)


def _wall_after(begins: datetime, left: timedelta, is_working_day: IsWorkingDay) -> datetime:
    """Return when so much time of working days has passed since a moment of a working day."""
    while True:
        next_day = begins.date() + timedelta(days=1)
        midnight = datetime.combine(next_day, time())
        if left <= midnight - begins:
            return begins + left
        left -= midnight - begins
        begins = datetime.combine(on_or_after(next_day, is_working_day), time())


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


def _windows_from(
    day: date, rule: NoticeRule, is_working_day: IsWorkingDay, asked_at: datetime
) -> Iterator[tuple[datetime, datetime]]:
    last = day + timedelta(days=FARTHEST_VISIT_DAYS)
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
