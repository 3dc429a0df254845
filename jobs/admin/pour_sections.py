"""Concrete as its pages show it: the curve, what waits for it, figures, and what cold asks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe

from contractor.trade.phases import PHASE_TABLE
from crews.selectors import NoFirm
from inspections.selectors.cure_temps import climates_at
from inspections.selectors.pours import Gate, PourStatus, concrete_of
from jobs.admin.words import day
from jobs.drawing.cure import StrengthCurve, StrengthGate, cure_svg, hours_drawn
from jobs.models import Job, Plan
from jobs.selectors import plans


@dataclass(frozen=True, slots=True)
class GateRow:
    """A phase that waits: its number in the drawing, what it needs, when it may begin."""

    number: int
    label: str
    needs: str
    ready: str
    warmth: str


@dataclass(frozen=True, slots=True)
class PourSection:
    """One pour, made or to come, ready for the template; `address` edits or records it."""

    title: str
    facts: tuple[str, ...]
    drawing: SafeString
    gates: tuple[GateRow, ...]
    cautions: tuple[str, ...]
    is_planned: bool
    address: str


def concrete_sections(job: Job, plan: Plan | None, *, now: datetime) -> list[PourSection]:
    """Return a job's pours, and those that a plan has still to come; none before the firm is."""
    try:
        climate = climates_at(now).of(job)
    except NoFirm:
        return []
    ends = {row.phase_id: row.ends_at for row in plans.job_bookings(plan, job)} if plan else {}
    return [
        pour_section(status, now=now) for status in concrete_of(job, climate=climate, ends=ends)
    ]


def pour_section(status: PourStatus, *, now: datetime) -> PourSection:
    """Return a pour as pages show it."""
    pour, clock = status.pour, status.clock
    gates = [_strength_gate(gate) for gate in status.gates]
    now_hours = clock.hours_at(now) if now > pour.poured_at and not status.is_planned else None
    hours = hours_drawn(gates, now_hours)
    key = f"pour-{pour.pk or f'of-{pour.phase_id}'}"
    what = f"{pour.phase.get_code_display()}{f' ({pour.part})' if pour.part else ''}"
    measured = clock.measured_until
    drawing = cure_svg(
        name=key,
        of=what.lower(),
        curve=StrengthCurve(
            shares=[clock.share(hour) for hour in range(hours + 1)],
            measured_hours=0.0 if measured is None else clock.hours_at(measured),
            now_hours=now_hours,
        ),
        gates=gates,
    )
    return PourSection(
        title=f"{what}, {_begun(status)}",
        facts=_facts(status, now),
        # The drawing escapes every text it is given.
        drawing=mark_safe(drawing),
        gates=tuple(_row(number, gate) for number, gate in enumerate(status.gates, start=1)),
        cautions=status.cautions,
        is_planned=status.is_planned,
        address=reverse("admin:inspections_pour_change", args=[pour.pk])
        if pour.pk
        else f"{reverse('admin:inspections_pour_add')}?phase={pour.phase_id}",
    )


def _begun(status: PourStatus) -> str:
    when = moment_words(status.pour.poured_at)
    if not status.is_planned:
        return f"poured {when}"
    is_done = status.pour.phase.done_at is not None
    return f"done {when}, no pour recorded" if is_done else f"to be poured by {when}"


def _facts(status: PourStatus, now: datetime) -> tuple[str, ...]:
    """Return the mix and, of a pour that is made, its strength by both methods of ASTM C1074."""
    pour, clock = status.pour, status.clock
    mix = f"{pour.mix_psi:,} psi, {pour.get_cement_display()}, cured {pour.cured.lower()}"
    if status.is_planned:
        return (f"Counted as an ordinary mix: {mix}.",)
    hours = clock.hours_at(now)
    share = clock.share(hours)
    measured = clock.measured_until
    counted = (
        "no readings: by expected temperatures"
        if measured is None
        else f"measured until {moment_words(min(measured, now))}"
    )
    return (
        f"{mix}.",
        f"Now {share:.0%} of its 28-day strength, about {share * pour.mix_psi:,.0f} psi; "
        f"{counted}.",
        f"Equivalent age {clock.equivalent_hours(hours):.0f} h at 68 °F; maturity "
        f"{clock.maturity_degc_hours(hours):,.0f} °C·h above 0 °C.",
    )


def _strength_gate(gate: Gate) -> StrengthGate:
    return StrengthGate(
        label=PHASE_TABLE[gate.follows.after].label,
        share=gate.needed.need.strength_share,
        ready_hours=gate.ready_hours,
        ready_words=_ready(gate),
    )


def _row(number: int, gate: Gate) -> GateRow:
    least = gate.needed.need.minimum_hours
    return GateRow(
        number=number,
        label=PHASE_TABLE[gate.follows.after].label,
        needs=f"{gate.needed.share_words}, never less than {least:g} h",
        ready=_ready(gate),
        warmth="–" if gate.mean_degf is None else f"{gate.mean_degf:.0f} °F",
    )


def _ready(gate: Gate) -> str:
    return "not within a year" if gate.ready_at is None else moment_words(gate.ready_at)


def moment_words(moment: datetime) -> str:
    """Return a moment at the site, such as "Thu Jan 14, 18:00"."""
    return f"{day(moment)}, {timezone.localtime(moment):%H:%M}"
