"""
The two clocks of a locate ticket: the earliest dig and the day it runs out.

Starter rules by state are for planning; laws change every year and the state's
call center decides. Plans count whole days: notice in hours is rounded up.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from contractor.trade.labeled import Labeled
from contractor.trade.locate_rules import STARTER_RULES, LocateRule
from contractor.trade.workdays import IsWorkingDay, add_working_days, on_or_after

__all__ = [
    "STARTER_RULES",
    "Answer",
    "LocateRule",
    "TicketClock",
    "call_by_date",
    "call_date",
    "covered_spans",
    "earliest_dig_date",
    "expires_on",
    "first_uncovered_date",
    "may_dig",
    "must_start_by",
    "renew_by",
    "ticket_clock",
    "warn_from",
]

# Early enough that a renewal with three working days of notice lands in time; our own choice.
WARN_WORKING_DAYS = 4


class Answer(Labeled):
    """What a utility answers to a ticket: the positive response."""

    CLEAR = "CLEAR"
    MARKED = "MARKED"
    NOT_YET = "NOT_YET"
    CONFLICT = "CONFLICT"


@dataclass(frozen=True, slots=True)
class TicketClock:
    """The dates of one ticket; all days are included."""

    called_on: date
    earliest_dig: date
    start_by: date | None
    expires_on: date
    renew_by: date


def call_date(called_at: datetime, rule: LocateRule) -> date:
    """Return the day as which a call counts: the next one where it comes after the hour."""
    late = rule.call_by is not None and called_at.time() > rule.call_by
    return called_at.date() + timedelta(days=1 if late else 0)


def earliest_dig_date(called_on: date, rule: LocateRule, is_working_day: IsWorkingDay) -> date:
    """
    Return the first whole day on which digging is legal after a call.

    The notice days are whole working days, counted from the next working day
    (or from the day of the call itself where the rule says so); digging may
    start the day after the last of them. Hours are taken to run from the end of
    the day of the call. Marks and answers must still be seen.
    """
    by_day = rule.count_from_next_day or rule.notice_hours
    first = called_on + timedelta(days=1) if by_day else called_on
    counted = on_or_after(first, is_working_day)
    last = add_working_days(counted, rule.notice_days - 1, is_working_day)
    return last + timedelta(days=1)


def expires_on(called_on: date, rule: LocateRule, is_working_day: IsWorkingDay) -> date:
    """
    Return the last day on which the ticket is live.

    Life counts from the day after the call, or with the earliest dig date as
    its first day where the rule says so.
    """
    start = called_on
    if rule.life_from_dig_date:
        start = earliest_dig_date(called_on, rule, is_working_day) - timedelta(days=1)
    if rule.life_in_working_days:
        return add_working_days(start, rule.life_days, is_working_day)
    return start + timedelta(days=rule.life_days)


def must_start_by(dig_from: date, expires: date, rule: LocateRule) -> date | None:
    """Return the last day on which digging may begin, or None where no rule says so."""
    if rule.must_start_days is None:
        return None
    return min(dig_from + timedelta(days=rule.must_start_days - 1), expires)


def call_by_date(dig_on: date, rule: LocateRule, is_working_day: IsWorkingDay) -> date:
    """Return the last working day to call so that digging is legal on a day."""
    call = dig_on - timedelta(days=1)
    while not is_working_day(call) or earliest_dig_date(call, rule, is_working_day) > dig_on:
        call -= timedelta(days=1)
    return call


def renew_by(expires: date, rule: LocateRule, is_working_day: IsWorkingDay) -> date:
    """
    Return the last day to call again so that digging need not stop.

    A call on it gives a new ticket that is live the day after the old one runs out.
    """
    return call_by_date(expires + timedelta(days=1), rule, is_working_day)


def warn_from(expires: date, is_working_day: IsWorkingDay) -> date:
    """Return the day from which a ticket still needed is to be renewed: four working days."""
    day, left = expires, WARN_WORKING_DAYS
    while left:
        day -= timedelta(days=1)
        left -= is_working_day(day)
    return day


def ticket_clock(called_on: date, rule: LocateRule, is_working_day: IsWorkingDay) -> TicketClock:
    """Return all dates of a ticket called on a day."""
    expires = expires_on(called_on, rule, is_working_day)
    dig_from = earliest_dig_date(called_on, rule, is_working_day)
    return TicketClock(
        called_on=called_on,
        earliest_dig=dig_from,
        start_by=must_start_by(dig_from, expires, rule),
        expires_on=expires,
        renew_by=renew_by(expires, rule, is_working_day),
    )


def covered_spans(tickets: Iterable[tuple[date, date]]) -> list[tuple[date, date]]:
    """Return first and last days of unbroken cover by tickets, in order."""
    spans: list[tuple[date, date]] = []
    for first, last in sorted(tickets):
        if spans and first <= spans[-1][1] + timedelta(days=1):
            spans[-1] = (spans[-1][0], max(spans[-1][1], last))
        else:
            spans.append((first, last))
    return spans


def first_uncovered_date(
    spans: Iterable[tuple[date, date]], first: date, last: date
) -> date | None:
    """Return the first day of a dig, from first to last, that no span covers; None for none."""
    day = first
    for opens, closes in covered_spans(spans):
        if opens <= day <= closes:
            day = closes + timedelta(days=1)
    return day if day <= last else None


def may_dig(answers: Iterable[str], rule: LocateRule) -> bool:
    """
    Return whether the utilities' answers allow digging.

    One that has not marked yet or sees a conflict stops it anywhere; no answer at all stops it
    where the state wants them read. Marks must still be seen on site.
    """
    given = set(answers)
    if given & {Answer.NOT_YET, Answer.CONFLICT}:
        return False
    return bool(given) or not rule.must_view_response
