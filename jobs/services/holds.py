"""What keeps a job's phases back beside labor: permit, locate, material, visits, work behind it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from contractor.engine.problem import Window
from contractor.trade import locate
from contractor.trade.phases import WaitKind
from inspections.selectors.locate import answer_words, business_days
from jobs.selectors.deliveries import due_on

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date

    from contractor.trade.building import Building
    from contractor.trade.lead_times import LeadTime
    from inspections.models import LocateTicket
    from jobs.models import Job
    from jobs.services.calendars import Calendars

EARLIEST_DATE = "EARLIEST_DATE"


@dataclass(frozen=True, slots=True)
class Hold:
    """A phase may not start before slot `ends`; the wait runs from slot `begins`."""

    kind: str
    before_code: str
    ends: int
    why: str
    begins: int = 0
    after_code: str = ""


class NoDate(Exception):  # noqa: N818 - a result with a reason, not an error
    """Something must be entered before a job can have dates at all; the text says what."""


def site_holds(*, job: Job, code: str, calendars: Calendars, now: int) -> list[Hold]:
    """
    Return what keeps a job's first open phase off the site: permit, and the earliest date agreed.

    Raises
    ------
    NoDate
        If the permit is not issued and nobody has said when it is expected.
    """
    holds = []
    if job.earliest_start_on:
        holds.append(
            Hold(
                EARLIEST_DATE,
                code,
                calendars.slot_of_day(job.earliest_start_on),
                f"not before {job.earliest_start_on:%b %-d, %Y}, as agreed for the site",
                begins=now,
            )
        )
    permit = getattr(job, "permit", None)
    if permit is None:
        raise NoDate("it is not said which authority it belongs to; enter its permit")
    if permit.is_exempt or permit.issued_on:
        return holds
    if permit.expected_on is None:
        raise NoDate("the permit is not issued; enter the day it is expected")
    expected = max(permit.expected_on, calendars.local(now).date())
    late = " (overdue)" if expected != permit.expected_on else ""
    # Issued some time during that day, so work begins on the next.
    ends = calendars.slot_of_day(expected + timedelta(days=1))
    why = f"permit expected {permit.expected_on:%b %-d, %Y}{late}"
    holds.append(Hold(WaitKind.PERMIT.value, code, ends, why, begins=now))
    return holds


def dig_windows(
    *,
    job: Job,
    code: str,
    calendars: Calendars,
    now: int,
    rules: Mapping[str, locate.LocateRule],
) -> tuple[tuple[Window, ...], Hold | None]:
    """
    Return when digging is covered by a live locate ticket, and the wait for the first cover.

    What is called already counts first: a ticket covers its days, less those before the utilities'
    answers allow digging and those after its last day to begin. Tickets that follow each other
    without a gap cover as one. After the last of them a renewal, called in time, covers the rest;
    without any ticket, one that is called today does.

    Raises
    ------
    NoDate
        If no locate rule is known for the job's state.
    """
    rule = rules.get(job.site_state)
    if rule is None:
        raise NoDate(f"no locate rule is known for the state {job.site_state}; correct the state")
    moment = calendars.local(now)
    tickets = sorted(
        (row for row in job.locate_tickets.all() if row.expires_on >= moment.date()),
        key=lambda row: (row.dig_from, row.pk),
    )
    spans = locate.covered_spans(
        span for row in tickets if (span := _cover(row, rule, moment.date())) is not None
    )
    new_dig = locate.earliest_dig_date(
        locate.call_date(moment, rule), rule, business_days(job.site_state)
    )
    renewed = max([new_dig, *(last + timedelta(days=1) for _, last in spans[-1:])])
    windows = [
        Window(calendars.slot_of_day(first), _day_end(calendars, last)) for first, last in spans
    ]
    end = calendars.axis.slots
    if not windows or calendars.midnight(renewed) < calendars.axis.instant(end):
        windows.append(Window(calendars.slot_of_day(renewed), end))
    first = windows[0]
    if first.opens <= now:
        return tuple(windows), None
    opens = calendars.local(first.opens).date()
    why = _dig_why(tickets, opens) if spans else _call_why(tickets, new_dig)
    return tuple(windows), Hold(WaitKind.LOCATE.value, code, first.opens, why, begins=now)


def _cover(ticket: LocateTicket, rule: locate.LocateRule, today: date) -> tuple[date, date] | None:
    """Return first and last day on which a dig that has not begun may use a ticket."""
    first, last = ticket.dig_from, ticket.expires_on
    start_by = locate.must_start_by(first, last, rule)
    if not locate.may_dig((row.answer for row in ticket.responses.all()), rule):
        first = max(first, today + timedelta(days=1))
    last = min(last, start_by or last)
    return (first, last) if max(first, today) <= last else None


def _dig_why(tickets: list[LocateTicket], opens: date) -> str:
    """Return why digging opens on a day with a ticket that is called."""
    waited_for = next((row for row in tickets if row.dig_from < opens), None)
    if waited_for:
        return f"no digging before the answers allow it; {answer_words(waited_for)}"
    return f"locate ticket, digging from {opens:%b %-d, %Y}"


def _call_why(tickets: list[LocateTicket], new_dig: date) -> str:
    what = "renewed" if tickets else "called"
    return f"locate ticket to be {what}; called today, digging from {new_dig:%b %-d, %Y}"


def delivery_hold(
    *,
    job: Job,
    building: Building,
    item: str,
    code: str,
    calendars: Calendars,
    now: int,
    lead_times: Iterable[LeadTime],
) -> Hold | None:
    """Return the wait for an item that a phase needs, or None when all of it is there."""
    delivery = next((row for row in job.deliveries.all() if row.item == item), None)
    if delivery is None or delivery.is_complete:
        return None
    today = calendars.local(now).date()
    due, why = due_on(delivery, building, lead_times, today)
    if due < today:
        due, why = today, f"{why} (overdue)"
    # It comes some time during that day, so the phase begins on the next.
    ends = calendars.slot_of_day(due + timedelta(days=1))
    return Hold(WaitKind.DELIVERY.value, code, ends, why, begins=now)


def _day_end(calendars: Calendars, day: date) -> int:
    """Return the slot at which a day ends; a ticket that outlives the axis ends with it."""
    instant = calendars.midnight(day + timedelta(days=1))
    if instant >= calendars.axis.instant(calendars.axis.slots):
        return calendars.axis.slots
    return calendars.slot_of(instant)
