"""Jobs that are not sold yet, as rows that are read like stored ones and never saved."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from django.utils import timezone

from contractor.trade.labor import phase_labor, total_hours
from contractor.trade.takeoff import take_off
from inspections.models import Permit
from jobs.models import Delivery, Job, LeanTo, Opening, Phase
from jobs.selectors.buildings import SHARED
from jobs.selectors.networks import network_of
from jobs.services.intake import NOT_TRACKED, hours_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime

    from contractor.trade.building import Building
    from contractor.trade.rates import Rate
    from inspections.models import Authority

# Where Django keeps related rows that were read ahead.
PREFETCHED = "_prefetched_objects_cache"
# No stored row has a key below 0, so nothing that is looked up by key is found by mistake.
ROWS_A_JOB = 1000
# What a site may say; the drive as in the row of a job, the permit within two years.
LONGEST_DRIVE_MINUTES, MOST_PERMIT_DAYS = 180, 730


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """
    Where a building would stand.

    `drive_minutes` is one way from the yard. Without an `authority` it is exempt from permit and
    inspections; with one the permit is in hand `permit_days` calendar days from today.
    """

    county: str
    state: str
    drive_minutes: int
    authority: Authority | None
    permit_days: int
    earliest_start_on: date | None = None


def unsold_job(
    *,
    index: int,
    building: Building,
    site: Site,
    rates: Mapping[str, Rate],
    now: datetime,
) -> tuple[Job, float]:
    """
    Return a job of the building that could be signed today, and its labor hours.

    Its material is ordered and its locate ticket called when it is signed. `index` tells it from
    others that are asked about at the same time.
    """
    key = -(index + 1) * ROWS_A_JOB
    today = timezone.localdate(now)
    job = Job(
        pk=key,
        number=f"UNSOLD-{index}",
        sold_on=today,
        buyer_name="the buyer",
        contract_value_usd=0,
        site_county=site.county,
        site_state=site.state,
        drive_minutes=site.drive_minutes,
        earliest_start_on=site.earliest_start_on,
        **{name: getattr(building, name) for name in SHARED},
    )
    job._state.fields_cache["site_readiness"] = None
    _keep(job, "openings", opening_rows(job, building))
    _keep(job, "lean_tos", lean_to_rows(job, building))
    for name in ("locate_tickets", "site_shots", "phases", "deliveries"):
        _keep(job, name, ())
    _add_permit(job, site, today)
    labor = phase_labor(building=building, take_off=take_off(building), rates=rates)
    network = network_of(job, building)
    hours = {row.phase: row for row in labor}
    phases = []
    for place, code in enumerate(network.phases, start=1):
        phase = Phase(pk=key - place, job=job, code=code, sequence=place)
        phase.labor_hours, phase.labor_arithmetic = hours_of(code, hours)
        _keep(phase, "pours", ())
        phases.append(phase)
    _keep(job, "phases", phases)
    items = sorted({item for item, _ in network.deliveries} - NOT_TRACKED)
    _keep(job, "deliveries", [Delivery(job=job, item=item, ordered_on=today) for item in items])
    return job, total_hours(labor)


def _add_permit(job: Job, site: Site, today: date) -> None:
    if site.authority is None:
        Permit(job=job, is_exempt=True)
        return
    expected_on = today + timedelta(days=site.permit_days)
    issued_on = today if site.permit_days == 0 else None
    Permit(job=job, authority=site.authority, expected_on=expected_on, issued_on=issued_on)


def opening_rows(job: Job, building: Building) -> list[Opening]:
    """Return the doors and windows of a building as unsaved rows of a job."""
    return [
        Opening(
            job=job,
            kind=row.kind.value,
            width_ft=row.width_ft,
            height_ft=row.height_ft,
            count=row.count,
        )
        for row in building.openings
    ]


def lean_to_rows(job: Job, building: Building) -> list[LeanTo]:
    """Return the lean-tos of a building as unsaved rows of a job."""
    return [
        LeanTo(
            job=job,
            width_ft=row.width_ft,
            length_ft=row.length_ft,
            low_eave_ft=row.low_eave_ft,
            enclosed=row.enclosed,
        )
        for row in building.lean_tos
    ]


def _keep(row: Any, name: str, rows: Sequence[object]) -> None:
    """Put related rows where Django would have read them ahead."""
    vars(row).setdefault(PREFETCHED, {})[name] = rows
