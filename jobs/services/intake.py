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
# So the hours of a part that was split ahead begin, before those of the whole.
PART_OF = " of the whole: "
SHARE_ROUNDING = 1e-6
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
    rows: dict[str, list[Phase]] = {}
    for phase in sorted(job.phases.all(), key=lambda phase: phase.part):
        rows.setdefault(phase.code, []).append(phase)
    changed: list[Phase] = []
    new: list[Phase] = []
    for sequence, code in enumerate(codes, start=1):
        whole = hours_of(code, labor)
        parts = _wanted(rows.get(code, []))
        if not parts:
            new.append(_step(Phase(job=job, code=code), sequence, whole))
        for phase in parts:
            before = _current(phase)
            if phase.status in BEGUN:
                phase.sequence = sequence
            else:
                _step(phase, sequence, whole)
            if _current(phase) != before:
                changed.append(phase)
    for phase in (phase for parts in rows.values() for phase in parts):
        if phase.code not in codes and phase.status == Phase.Status.OPEN:
            # Kept as a row: a published booking may still name it.
            phase.status = Phase.Status.DROPPED
            changed.append(phase)
    Phase.objects.bulk_create(new)
    Phase.objects.bulk_update(changed, ["sequence", "labor_hours", "labor_arithmetic", "status"])


def _wanted(parts: list[Phase]) -> list[Phase]:
    """Return the parts of a phase that make the whole; one left out for good is not among them."""
    wanted: list[Phase] = []
    share = 0.0
    for phase in parts:
        if phase.status in (*BEGUN, Phase.Status.OPEN) or share < 1 - SHARE_ROUNDING:
            wanted.append(phase)
            share += phase.share_of_whole
    return wanted


def _step(phase: Phase, sequence: int, whole: tuple[float, str]) -> Phase:
    """Bring a phase that has not begun in step with the hours of the whole."""
    hours, arithmetic = whole
    phase.sequence = sequence
    phase.labor_hours = round(hours * phase.share_of_whole, 2)
    phase.labor_arithmetic = part_of(arithmetic, phase.share_of_whole)
    phase.status = Phase.Status.OPEN
    return phase


def part_of(arithmetic: str, share: float) -> str:
    """Return how the hours of a share of a phase come about, from those of it or of a part."""
    whole = arithmetic.partition(PART_OF)[2] or arithmetic
    return whole if share == 1 else f"{share:.0%}{PART_OF}{whole}"


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
