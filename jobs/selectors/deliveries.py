"""When material comes: one rule for the plan, the call-ahead list and the holds."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.trade import lead_times as trade
from jobs.models import LeadTime, Phase
from jobs.selectors.hold_facts import Clears, HoldFact, HoldKind
from jobs.selectors.needs import built

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from contractor.trade.building import Building
    from jobs.models import Delivery, Job


def lead_times() -> tuple[trade.LeadTime, ...]:
    """Return the office's lead times; the starter values stand in for what they leave out."""
    return tuple(row.lead_time() for row in LeadTime.objects.order_by("id"))


def lead_time_of(
    delivery: Delivery, building: Building, rows: Iterable[trade.LeadTime]
) -> trade.LeadTime:
    """Return how long a delivery takes from order to site."""
    return trade.lead_time(
        item=delivery.item, building=building, rows=rows, supplier=delivery.supplier
    )


def due_on(
    delivery: Delivery, building: Building, rows: Iterable[trade.LeadTime], today: date
) -> tuple[date, str]:
    """
    Return when what is still missing of a delivery should come, and why that day.

    A day that has passed is returned as it is; what is not ordered counts from today.
    """
    name, missing = delivery.get_item_display(), _missing(delivery)
    promised = delivery.promised_on
    if missing and delivery.arrived_on and (promised is None or promised <= delivery.arrived_on):
        days = lead_time_of(delivery, building, rows).days
        return delivery.arrived_on + timedelta(days=days), (
            f"{missing}; the rest is not promised, usual lead time {days} days"
        )
    if promised:
        told = f"{missing}; the rest" if missing else name
        return promised, f"{told} promised for {promised:%b %-d, %Y}"
    days = lead_time_of(delivery, building, rows).days
    if delivery.ordered_on:
        due = delivery.ordered_on + timedelta(days=days)
        return due, f"{name} ordered {delivery.ordered_on:%b %-d, %Y}, usual lead time {days} days"
    return today + timedelta(days=days), f"{name} not ordered; usual lead time {days} days"


def open_holds(jobs: Sequence[Job], now: datetime) -> list[HoldFact]:
    """
    Return what is still missing of each job's material, and what has arrived as cleared.

    Each job needs its phases, deliveries and `NEEDED_ROWS`.
    """
    rows, today = lead_times(), timezone.localdate(now)
    facts = []
    for job in jobs:
        found = built(job)
        if found is None:
            continue
        building, network = found
        waiting = {p.code for p in job.phases.all() if p.status == Phase.Status.OPEN}
        held = dict(network.deliveries)
        for delivery in sorted(job.deliveries.all(), key=lambda row: row.pk):
            code = held.get(delivery.item)
            if code in waiting:
                facts.append(_hold(job, code, delivery, building, rows, today))
    return facts


def _hold(
    job: Job,
    code: str,
    delivery: Delivery,
    building: Building,
    rows: Iterable[trade.LeadTime],
    today: date,
) -> HoldFact:
    name = delivery.get_item_display()
    due, why = due_on(delivery, building, rows, today)
    arrived = delivery.arrived_on if delivery.is_complete else None
    ordered = delivery.ordered_on or delivery.promised_on
    return HoldFact(
        job_id=job.pk,
        kind=HoldKind.DELIVERY,
        phase_code=code,
        what=f"{name} arrived" if arrived else why,
        clears=Clears.SUPPLIER if ordered or delivery.arrived_on else Clears.OFFICE,
        who=delivery.supplier,
        since=delivery.ordered_on,
        expected_on=due,
        cleared_on=arrived,
    )


def _missing(delivery: Delivery) -> str:
    """Return in words what came short or broken, "" for nothing."""
    if not delivery.shortage or delivery.arrived_on is None:
        return ""
    name, arrived = delivery.get_item_display(), delivery.arrived_on
    return f"{name} arrived {arrived:%b %-d, %Y} short or damaged ({delivery.shortage})"
