"""What the job page shows beside the form: drawing, take-off, hours, dates, waits, cautions."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe

from contractor.trade.errors import SpecError
from contractor.trade.phases import PHASE_TABLE
from contractor.trade.takeoff import Line
from contractor.trade.weather import CAUTIONS, PHASE_GATES, WeatherGate
from inspections.models import Inspection, InspectionEvent
from inspections.selectors.locate import TicketWarning, ticket_warnings
from inspections.selectors.permits import PermitState, permit_states
from inspections.selectors.visits import job_visits
from jobs.admin.holds import HoldRow, hold_rows
from jobs.admin.job_life import Dates
from jobs.admin.plan_report import first_reasons
from jobs.admin.pour_sections import PourSection, concrete_sections
from jobs.admin.words import lateness_words, local_date, span, who
from jobs.drawing import elevation_svg, plan_svg
from jobs.models import Booking, Job, Phase, Plan, PlannedWait
from jobs.selectors import job_progress, plans
from jobs.selectors.buildings import take_off_of
from jobs.selectors.holds import holds


@dataclass(frozen=True, slots=True)
class PhaseRow:
    """A phase's hours with their sum, and its dates in the published plan and the draft."""

    phase: Phase
    published: str
    because: str
    draft: str
    moves: bool
    dates: Dates


@dataclass(slots=True)
class Panel:
    """All of it, ready for the template."""

    phases: list[PhaseRow]
    hours: float
    published: Plan | None
    draft: Plan | None
    lateness: str
    no_dates: str
    waits: list[tuple[PlannedWait, str]]
    holds: list[HoldRow] = field(default_factory=list)
    cleared: list[HoldRow] = field(default_factory=list)
    warnings: list[TicketWarning] = field(default_factory=list)
    faults: tuple[str, ...] = ()
    plan_drawing: SafeString = field(default_factory=SafeString)
    elevation_drawing: SafeString = field(default_factory=SafeString)
    lines: tuple[Line, ...] = ()
    cautions: tuple[str, ...] = ()
    work_cautions: tuple[tuple[str, str], ...] = ()
    concrete: list[PourSection] = field(default_factory=list)
    permits: list[PermitState] = field(default_factory=list)
    visits: list[tuple[Inspection, list[InspectionEvent]]] = field(default_factory=list)


def panel_of(job: Job, dates: Mapping[int, Dates]) -> Panel:
    """Return the panel of a stored job; a building that cannot be built shows why instead."""
    panel = _dates_of(job, dates)
    panel.work_cautions = _work_cautions(row.phase for row in panel.phases)
    _add_holds(panel, job)
    try:
        building, take_off, _ = take_off_of(job)
    except SpecError as error:
        panel.faults = tuple(str(fault) for fault in error.faults)
        return panel
    # The drawings escape every text they are given.
    panel.plan_drawing = mark_safe(plan_svg(building))
    panel.elevation_drawing = mark_safe(elevation_svg(building))
    panel.lines = take_off.lines
    # Two doors of a kind are one caution.
    panel.cautions = tuple(dict.fromkeys(caution.message for caution in building.cautions()))
    panel.concrete = concrete_sections(job, panel.published or panel.draft, now=timezone.now())
    return panel


def _work_cautions(phases: Iterable[Phase]) -> tuple[tuple[str, str], ...]:
    """Return what can hurt people in the outdoor work that is still to do, with its kind."""
    over = (Phase.Status.DONE, Phase.Status.DROPPED)
    gates = {PHASE_TABLE[p.code].weather_gate for p in phases if p.status not in over}
    gates &= set(PHASE_GATES)
    if gates:
        gates |= {WeatherGate.LIFT, WeatherGate.OUTDOORS}
    return tuple((gate.label, text) for gate, text in CAUTIONS.items() if gate in gates)


def _add_holds(panel: Panel, job: Job) -> None:
    now = timezone.now()
    rows = hold_rows(holds(now=now, job=job, cleared=True))
    panel.holds = [row for row in rows if row.hold.fact.is_open]
    panel.cleared = [row for row in rows if not row.hold.fact.is_open]
    panel.warnings = ticket_warnings(now=now, job=job)
    panel.permits = permit_states(now=now, job=job)
    panel.visits = job_visits(job)


def _dates_of(job: Job, dates: Mapping[int, Dates]) -> Panel:
    published, draft = plans.published_plan(), plans.latest_draft()
    live = _bookings(published, job)
    drafted = _bookings(draft, job)
    phases = list(job_progress.live_phases().filter(job=job))
    finish = max((booking.ends_at for booking in live.values()), default=None)
    shown = published or draft
    waits = plans.job_waits(shown, job) if shown else ()
    return Panel(
        phases=[
            _row(phase, live.get(phase.pk), drafted.get(phase.pk), dates[phase.pk])
            for phase in phases
        ],
        hours=sum(phase.planned_hours for phase in phases),
        published=published,
        draft=draft,
        lateness=lateness_words(local_date(finish), job.promised_on),
        no_dates=first_reasons(draft or published).get(job.number, ""),
        waits=[(wait, span(wait.starts_at, wait.ends_at)) for wait in waits],
    )


def _bookings(plan: Plan | None, job: Job) -> dict[int, Booking]:
    if plan is None:
        return {}
    return {booking.phase_id: booking for booking in plans.job_bookings(plan, job)}


def _row(phase: Phase, live: Booking | None, drafted: Booking | None, dates: Dates) -> PhaseRow:
    return PhaseRow(
        phase=phase,
        published=_words(live),
        because=live.because if live else (drafted.because if drafted else ""),
        draft=_words(drafted),
        moves=_words(live) != _words(drafted),
        dates=dates,
    )


def _words(booking: Booking | None) -> str:
    if booking is None:
        return "–"
    return f"{span(booking.starts_at, booking.ends_at)}, {who(booking)}"
