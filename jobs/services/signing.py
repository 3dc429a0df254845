"""A contract is signed: the building that was described, or one like another, becomes a job."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import timezone

from contractor.trade.errors import Fault, SpecError
from inspections.models import Permit
from jobs.models import Job, LeanTo, Opening
from jobs.selectors.buildings import SHARED
from jobs.services import intake
from jobs.services.changes import record_change
from jobs.services.unsold_jobs import lean_to_rows, opening_rows

if TYPE_CHECKING:
    from datetime import date, datetime
    from decimal import Decimal

    from django.contrib.auth.models import User

    from contractor.trade.building import Building
    from inspections.models import Authority


@dataclass(frozen=True, slots=True, kw_only=True)
class Contract:
    """
    What is agreed beside the building.

    Without an authority the job is exempt from permit and inspections; with one the permit is
    expected `permit_days` calendar days from today, or in hand at 0.
    """

    number: str
    buyer_name: str
    site_address: str
    site_town: str
    site_county: str
    site_state: str
    contract_value_usd: Decimal
    authority: Authority
    is_exempt: bool
    permit_days: int
    drive_minutes: int
    buyer_phone: str = ""
    buyer_email: str = ""
    promised_on: date | None = None
    earliest_start_on: date | None = None


def next_number(*, now: datetime) -> str:
    """Return the number after the highest of this year, like 26-043; the first is 26-001."""
    year = f"{timezone.localdate(now):%y}"
    numbers = Job.objects.filter(number__startswith=f"{year}-").values_list("number", flat=True)
    taken = [int(found[1]) for number in numbers if (found := re.fullmatch(r"\d\d-(\d+)", number))]
    return f"{year}-{max(taken, default=0) + 1:03d}"


@transaction.atomic
def sign(*, building: Building, contract: Contract, now: datetime, by: User | None = None) -> Job:
    """
    Return the job of a building that is signed today, with its doors, permit and phases.

    Raises
    ------
    contractor.trade.errors.SpecError
        If it cannot be built, a date makes no sense, or its number is taken; nothing is stored.
    """
    today = timezone.localdate(now)
    job = Job(
        number=contract.number,
        sold_on=today,
        promised_on=contract.promised_on,
        earliest_start_on=contract.earliest_start_on,
        contract_value_usd=contract.contract_value_usd,
        buyer_name=contract.buyer_name,
        buyer_phone=contract.buyer_phone,
        buyer_email=contract.buyer_email,
        site_address=contract.site_address,
        site_town=contract.site_town,
        site_county=contract.site_county,
        site_state=contract.site_state,
        drive_minutes=contract.drive_minutes,
        **{name: getattr(building, name) for name in SHARED},
    )
    openings, lean_tos = opening_rows(job, building), lean_to_rows(job, building)
    intake.check(job=job, openings=openings, lean_tos=lean_tos, today=today, is_new=True)
    try:
        job.full_clean()
    except ValidationError as error:
        raise SpecError(_faults(job, error)) from error
    job.save()
    Opening.objects.bulk_create(openings)
    LeanTo.objects.bulk_create(lean_tos)
    _permit(job, contract, today).save()
    record_change(row=job, before=None, now=now, by=by)
    job = Job.objects.select_related("permit__authority").get(pk=job.pk)
    intake.refresh_phases(job=job)
    return job


def _permit(job: Job, contract: Contract, today: date) -> Permit:
    permit = Permit(job=job, authority=contract.authority, is_exempt=contract.is_exempt)
    if not contract.is_exempt and contract.permit_days == 0:
        permit.issued_on = today
    elif not contract.is_exempt:
        permit.expected_on = today + timedelta(days=contract.permit_days)
    return permit


def _faults(job: Job, error: ValidationError) -> list[Fault]:
    """Return what the row's own columns refuse."""
    return [
        Fault(name, getattr(job, name, ""), messages[0].rstrip("."), "Enter it again.")
        for name, messages in error.message_dict.items()
    ]
