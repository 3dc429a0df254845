"""A job comes in or changes: check it, and keep its phases in step with what was sold."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from django.db import transaction

from contractor.trade.errors import Caution, Fault, SpecError
from contractor.trade.labor import STARTER_REWORK_HOURS
from contractor.trade.locate import STARTER_RULES
from contractor.trade.phases import PHASE_TABLE, Performer
from jobs.models import Delivery, Job, Phase
from jobs.selectors.buildings import building_of, take_off_of
from jobs.selectors.networks import network_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date

    from contractor.trade.labor import PhaseLabor
    from contractor.trade.rates import Rate
    from jobs.models import LeanTo, Opening

# Ordered by telephone for a day near the pour; nobody keeps a row for it weeks ahead.
NOT_TRACKED = frozenset({"CONCRETE"})
# Further back, the year is a slip of the hand.
LONGEST_SOLD = timedelta(days=5 * 366)
BEGUN = (Phase.Status.UNDER_WAY, Phase.Status.DONE)


def check(
    *,
    job: Job,
    openings: Iterable[Opening],
    lean_tos: Iterable[LeanTo],
    today: date,
    is_new: bool,
) -> tuple[Caution, ...]:
    """
    Return what is unusual about a job that can be built.

    Raises
    ------
    contractor.trade.errors.SpecError
        If it cannot be built or its dates make no sense; it holds every fault.
    """
    faults = [
        *_state_faults(job),
        *_date_faults(job, today),
        *(_new_date_faults(job, today) if is_new else ()),
    ]
    try:
        building = building_of(job, openings=openings, lean_tos=lean_tos)
    except SpecError as error:
        raise SpecError((*error.faults, *faults)) from None
    if faults:
        raise SpecError(faults)
    return building.cautions()


def _state_faults(job: Job) -> Iterable[Fault]:
    """Refuse a state without a locate rule: no dig there could ever be planned."""
    if job.site_state not in STARTER_RULES:
        yield Fault(
            "site_state",
            job.site_state,
            "no locate rule is known for this state",
            "Enter the two capital letters of the site's state, like OH.",
        )


def refresh_phases(*, job: Job, firm_rates: Mapping[str, Rate] | None = None) -> None:
    """
    Bring a job's phases and awaited deliveries in step with its building and authority.

    Phases that have begun keep their hours and are never taken away; the office's own hours stay.
    """
    building, _, labor = take_off_of(job, firm_rates=firm_rates)
    network = network_of(job, building)
    with transaction.atomic():
        _write_phases(job, network.phases, {row.phase: row for row in labor})
        items = {item for item, _ in network.deliveries} - NOT_TRACKED
        known = set(job.deliveries.values_list("item", flat=True))
        Delivery.objects.bulk_create(
            [Delivery(job=job, item=item) for item in sorted(items - known)]
        )


def _write_phases(job: Job, codes: tuple[str, ...], labor: Mapping[str, PhaseLabor]) -> None:
    rows = {phase.code: phase for phase in job.phases.all()}
    changed: list[Phase] = []
    new: list[Phase] = []
    for sequence, code in enumerate(codes, start=1):
        phase = rows.get(code) or Phase(job=job, code=code)
        hours, arithmetic = hours_of(code, labor)
        wanted = (sequence, hours, arithmetic)
        if phase.pk is None:
            phase.sequence, phase.labor_hours, phase.labor_arithmetic = wanted
            new.append(phase)
        elif phase.status in BEGUN:
            if phase.sequence != sequence:
                phase.sequence = sequence
                changed.append(phase)
        elif _current(phase) != (*wanted, Phase.Status.OPEN):
            phase.sequence, phase.labor_hours, phase.labor_arithmetic = wanted
            phase.status = Phase.Status.OPEN
            changed.append(phase)
    for phase in rows.values():
        if phase.code not in codes and phase.status == Phase.Status.OPEN:
            # Kept as a row: a published booking may still name it.
            phase.status = Phase.Status.DROPPED
            changed.append(phase)
    Phase.objects.bulk_create(new)
    Phase.objects.bulk_update(changed, ["sequence", "labor_hours", "labor_arithmetic", "status"])


def _current(phase: Phase) -> tuple[int, float, str, str]:
    return phase.sequence, phase.labor_hours, phase.labor_arithmetic, phase.status


def hours_of(code: str, labor: Mapping[str, PhaseLabor]) -> tuple[float, str]:
    """Return a phase's labor hours from the labor of all, and how they come about."""
    if code in labor:
        return round(labor[code].hours, 2), labor[code].arithmetic
    if code in STARTER_REWORK_HOURS:
        return STARTER_REWORK_HOURS[code], "a starter value for rework; the office sets its own"
    kind = PHASE_TABLE[code]
    if kind.performer is Performer.SUB:
        return 0.0, f"an outside trade, about {kind.nominal_hours:g} hours on site"
    return 0.0, "the authority's visit"


def _date_faults(job: Job, today: date) -> Iterable[Fault]:
    """Return what is wrong with the dates of any job."""
    if job.sold_on and job.sold_on > today:
        yield Fault(
            "sold_on",
            job.sold_on,
            "the sale lies in the future",
            f"Enter the day the contract was signed, {today} or earlier.",
        )
    if job.completed_on and job.status != Job.Status.DONE:
        yield Fault(
            "completed_on",
            job.completed_on,
            f"a job that is {job.get_status_display().lower()} is not completed",
            "Set the status to Done, or enter nothing.",
        )


def _new_date_faults(job: Job, today: date) -> Iterable[Fault]:
    """Return what is wrong with the dates of a job that is entered today."""
    if job.sold_on and job.sold_on < today - LONGEST_SOLD:
        yield Fault(
            "sold_on",
            job.sold_on,
            "the sale lies more than five years back",
            "Enter the year again.",
        )
    if job.earliest_start_on and job.promised_on and job.earliest_start_on > job.promised_on:
        yield Fault(
            "earliest_start_on",
            job.earliest_start_on,
            f"this is after the promised completion ({job.promised_on})",
            "Enter an earlier start or a later promise.",
        )
    for field, name in (("promised_on", "promise"), ("earliest_start_on", "earliest start")):
        day = getattr(job, field)
        if day and day < today:
            yield Fault(
                field, day, f"the {name} lies in the past", f"Enter {today} or later, or nothing."
            )
