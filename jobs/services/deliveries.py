"""What suppliers tell and what arrives: one step each, with who said so and when, and an undo."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.db import transaction
from django.utils import timezone

from jobs.models import Delivery, DeliveryReport

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date, datetime

    from django.contrib.auth.models import User

Kind = DeliveryReport.Kind


@dataclass
class DeliveryRefused(Exception):  # noqa: N818 - an answer with its reason
    """Something that cannot be told of a delivery; the text says why and what to do."""

    reason: str

    def __str__(self) -> str:
        return self.reason


def confirm(*, delivery_id: int, now: datetime, by: User | None = None) -> DeliveryReport | None:
    """
    Note that the supplier stands by the promised day; None where that was noted today already.

    Raises
    ------
    DeliveryRefused
        If all of it is there, no day is promised, or the day has passed.
    """
    with transaction.atomic():
        delivery = _awaited(delivery_id)
        if delivery.promised_on is None:
            raise DeliveryRefused(f"{delivery}: no day is promised. Enter the supplier's day.")
        today = timezone.localdate(now)
        if delivery.promised_on < today:
            raise DeliveryRefused(
                f"{delivery}: the promised {delivery.promised_on} has passed. Enter the day that "
                "the supplier names now."
            )
        if delivery.confirmed_on == today:
            return None
        report = _report(delivery, Kind.CONFIRMED, now, by)
        delivery.confirmed_on = today
        return _stored(delivery, report)


def confirm_all(
    *, delivery_ids: Iterable[int], due_on: date, now: datetime, by: User | None = None
) -> list[DeliveryReport]:
    """
    Note that a supplier stands by one day for all of these, or for none; return what is new.

    Raises
    ------
    DeliveryRefused
        If one of them is promised for another day by now, or cannot be confirmed.
    """
    with transaction.atomic():
        reports = []
        for delivery_id in sorted(delivery_ids):
            delivery = _awaited(delivery_id)
            if delivery.promised_on != due_on:
                raise DeliveryRefused(
                    f"{delivery}: its day has changed since the page was shown. Look at it again; "
                    "nothing was noted."
                )
            report = confirm(delivery_id=delivery_id, now=now, by=by)
            reports += [report] if report else []
    return reports


def promise(
    *, delivery_id: int, promised_on: date, now: datetime, by: User | None = None
) -> DeliveryReport | None:
    """
    Note the day that the supplier promises now; None where it is promised and confirmed already.

    Raises
    ------
    DeliveryRefused
        If all of it is there, or the day has passed.
    django.core.exceptions.ValidationError
        If the day is too far ahead.
    """
    with transaction.atomic():
        delivery = _awaited(delivery_id)
        today = timezone.localdate(now)
        if promised_on < today:
            raise DeliveryRefused(
                f"Promised for {promised_on}: this day has passed. Enter {today} or later."
            )
        if (delivery.promised_on, delivery.confirmed_on) == (promised_on, today):
            return None
        report = _report(delivery, Kind.PROMISED, now, by, note=f"{promised_on:%b %-d, %Y}")
        delivery.promised_on = promised_on
        delivery.confirmed_on = today
        return _stored(delivery, report)


def arrive(
    *,
    delivery_id: int,
    arrived_on: date,
    now: datetime,
    shortage: str = "",
    by: User | None = None,
    told_by: str = "",
) -> DeliveryReport:
    """
    Note that a delivery is there; with a shortage the phase goes on waiting for the rest.

    `told_by` is the name of whoever tells it and has no sign-in.

    Raises
    ------
    DeliveryRefused
        If all of it was there before, or the day is still to come or before the order.
    """
    with transaction.atomic():
        delivery = _awaited(delivery_id)
        today = timezone.localdate(now)
        if arrived_on > today:
            raise DeliveryRefused(
                f"Arrived on {arrived_on}: this is still to come. Enter {today} or earlier."
            )
        if delivery.ordered_on and arrived_on < delivery.ordered_on:
            raise DeliveryRefused(
                f"Arrived on {arrived_on}: this is before the order of {delivery.ordered_on}. "
                "Enter a later day, or correct the day of the order."
            )
        note = f"short or damaged: {shortage}" if shortage else ""
        report = _report(delivery, Kind.ARRIVED, now, by, note=note)
        report.told_by = report.told_by or told_by
        delivery.arrived_on = arrived_on
        delivery.shortage = shortage
        return _stored(delivery, report)


def undo(*, report_id: int, now: datetime) -> Delivery:
    """
    Take back what was told last of a delivery, and return it as it was before.

    Raises
    ------
    DeliveryRefused
        If it was taken back already, or something was told since.
    """
    with transaction.atomic():
        report = DeliveryReport.objects.select_for_update().get(pk=report_id)
        told = DeliveryReport.objects.filter(job=report.job_id, item=report.item, undone_at=None)
        if report.undone_at is not None or told.order_by("told_at", "id").last() != report:
            raise DeliveryRefused(
                f"{report}: something was told since, or it is undone. Change the delivery itself."
            )
        delivery = Delivery.objects.select_for_update().get(job=report.job_id, item=report.item)
        delivery.promised_on = report.promised_before
        delivery.confirmed_on = report.confirmed_before
        delivery.arrived_on = report.arrived_before
        delivery.shortage = report.shortage_before
        delivery.full_clean()
        delivery.save()
        report.undone_at = max(now, report.told_at)
        report.save(update_fields=["undone_at"])
        return delivery


def _awaited(delivery_id: int) -> Delivery:
    delivery = Delivery.objects.select_for_update().select_related("job").get(pk=delivery_id)
    if delivery.is_complete:
        raise DeliveryRefused(
            f"{delivery}: all of it arrived on {delivery.arrived_on}. Undo that first if it is "
            "not so."
        )
    return delivery


def _report(
    delivery: Delivery, kind: str, now: datetime, by: User | None, *, note: str = ""
) -> DeliveryReport:
    return DeliveryReport(
        job=delivery.job,
        item=delivery.item,
        kind=kind,
        told_at=now,
        told_by=by.get_username() if by else "",
        note=note[:200],
        promised_before=delivery.promised_on,
        confirmed_before=delivery.confirmed_on,
        arrived_before=delivery.arrived_on,
        shortage_before=delivery.shortage,
    )


def _stored(delivery: Delivery, report: DeliveryReport) -> DeliveryReport:
    delivery.full_clean()
    delivery.save()
    report.full_clean()
    report.save()
    return report
