"""
The two clocks of a locate ticket: the earliest dig and the day it runs out.

Starter rules by state are for planning; laws change every year and the state's
call center decides. Rules that count hours are rounded up to whole days.
"""

from dataclasses import dataclass
from datetime import date, timedelta

from contractor.trade.locate_rules import STARTER_RULES, LocateRule
from contractor.trade.workdays import IsWorkingDay, add_working_days, on_or_after

__all__ = [
    "STARTER_RULES",
    "LocateRule",
    "TicketClock",
    "earliest_dig_date",
    "expires_on",
    "must_start_by",
    "renew_by",
    "ticket_clock",
]


@dataclass(frozen=True, slots=True)
class TicketClock:
    """The dates of one ticket; all days are included."""

    called_on: date
    earliest_dig: date
    start_by: date | None
    expires_on: date
    renew_by: date

    def allows_dig_on(self, day: date) -> bool:
        """Return whether digging is allowed on a day by the dates alone."""
        return self.earliest_dig <= day <= self.expires_on


def earliest_dig_date(called_on: date, rule: LocateRule, is_working_day: IsWorkingDay) -> date:
    """
    Return the first day on which digging is legal after a call.

    The notice days are whole working days, counted from the next working day
    (or from the day of the call itself where the rule says so); digging may
    start the day after the last of them. Marks and answers must still be seen.
    """
    first = called_on + timedelta(days=1) if rule.count_from_next_day else called_on
    counted = on_or_after(first, is_working_day)
    last = add_working_days(counted, rule.notice_working_days - 1, is_working_day)
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


def must_start_by(called_on: date, rule: LocateRule, is_working_day: IsWorkingDay) -> date | None:
    """Return the last day on which digging may begin, or None where no rule says so."""
    if rule.must_start_days is None:
        return None
    first = earliest_dig_date(called_on, rule, is_working_day)
    last = first + timedelta(days=rule.must_start_days - 1)
    return min(last, expires_on(called_on, rule, is_working_day))


def renew_by(expires: date, rule: LocateRule, is_working_day: IsWorkingDay) -> date:
    """
    Return the last day to call again so that digging need not stop.

    A call on it gives a new ticket that is live the day after the old one runs out.
    """
    call = expires
    while earliest_dig_date(call, rule, is_working_day) > expires + timedelta(days=1):
        call -= timedelta(days=1)
    return call


def ticket_clock(called_on: date, rule: LocateRule, is_working_day: IsWorkingDay) -> TicketClock:
    """Return all dates of a ticket called on a day."""
    expires = expires_on(called_on, rule, is_working_day)
    return TicketClock(
        called_on=called_on,
        earliest_dig=earliest_dig_date(called_on, rule, is_working_day),
        start_by=must_start_by(called_on, rule, is_working_day),
        expires_on=expires,
        renew_by=renew_by(expires, rule, is_working_day),
    )
