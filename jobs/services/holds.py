"""What keeps a job's phases back beside labor: permit, locate, material, visits, work behind it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from contractor.engine.problem import Window
from contractor.trade.lead_times import lead_time_days
from contractor.trade.locate import STARTER_RULES, earliest_dig_date
from contractor.trade.phases import WaitKind

if TYPE_CHECKING:
    from datetime import date

    from contractor.trade.building import Building
    from jobs.models import Delivery, Job
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
    *, job: Job, code: str, calendars: Calendars, now: int
) -> tuple[tuple[Window, ...], Hold | None]:
    """
    Return when digging is covered by a live locate ticket, and the wait for the first cover.

    A ticket that is not called yet can be called today, and any later one in time for its dig;
    so from the notice after today on, digging is open again.

    Raises
    ------
    NoDate
        If no locate rule is known for the job's state.
    """
    rule = STARTER_RULES.get(job.site_state)
    if rule is None:
        raise NoDate(f"no locate rule is known for the state {job.site_state}; correct the state")
    today = calendars.local(now).date()
    end = calendars.axis.slots
    windows = [
        Window(calendars.slot_of_day(ticket.dig_from), _day_end(calendars, ticket.expires_on))
        for ticket in job.locate_tickets.all()
        if ticket.expires_on >= today
    ]
    new_dig = earliest_dig_date(
        called_on=today,
        rule=rule,
        is_working_day=lambda day: calendars.is_business_day(job.site_state, day),
    )
    windows.append(Window(calendars.slot_of_day(new_dig), end))
    first = min(windows, key=lambda window: window.opens)
    if first.opens <= now:
        return tuple(windows), None
    if first is windows[-1]:
        why = f"locate ticket to be called; called today, digging from {new_dig:%b %-d, %Y}"
    else:
        why = f"locate ticket, digging from {calendars.local(first.opens):%b %-d, %Y}"
    return tuple(windows), Hold(WaitKind.LOCATE.value, code, first.opens, why, begins=now)


def delivery_hold(
    *, job: Job, building: Building, item: str, code: str, calendars: Calendars, now: int
) -> Hold | None:
    """Return the wait for an item that a phase needs, or None when it is there."""
    delivery = next((row for row in job.deliveries.all() if row.item == item), None)
    if delivery is None or delivery.arrived_on:
        return None
    today = calendars.local(now).date()
    due, why = _due_on(delivery, building, today)
    if due < today:
        due, why = today, f"{why} (overdue)"
    # It comes some time during that day, so the phase begins on the next.
    ends = calendars.slot_of_day(due + timedelta(days=1))
    return Hold(WaitKind.DELIVERY.value, code, ends, why, begins=now)


def _due_on(delivery: Delivery, building: Building, today: date) -> tuple[date, str]:
    name = delivery.get_item_display()
    if delivery.promised_on:
        return delivery.promised_on, f"{name} promised for {delivery.promised_on:%b %-d, %Y}"
    days = lead_time_days(item=delivery.item, building=building)
    if delivery.ordered_on:
        due = delivery.ordered_on + timedelta(days=days)
        return due, f"{name} ordered {delivery.ordered_on:%b %-d, %Y}, usual lead time {days} days"
    return today + timedelta(days=days), f"{name} not ordered; usual lead time {days} days"


def _day_end(calendars: Calendars, day: date) -> int:
    """Return the slot at which a day ends; a ticket that outlives the axis ends with it."""
    instant = calendars.midnight(day + timedelta(days=1))
    if instant >= calendars.axis.instant(calendars.axis.slots):
        return calendars.axis.slots
    return calendars.slot_of(instant)
