"""
What a crew does: its published work by day, with all that its people need to know on site.

The one place that pages for crews read it from. The number of queries does not grow with the rows.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.trade.phases import INSPECTIONS, PHASE_TABLE, Performer
from inspections.models import Inspection
from inspections.selectors import visits
from inspections.selectors.weather import weather_at
from jobs.models import Booking, Job, Phase
from jobs.selectors import crew_site
from jobs.selectors.crew_days import DaysOfCrew
from jobs.selectors.crew_rows import DeliveryLine, PhaseRow, RowState, Week
from jobs.selectors.crew_work import work_of_days, work_of_phase
from jobs.selectors.hold_facts import HoldKind
from jobs.selectors.holds import open_facts
from jobs.selectors.needs import built
from jobs.selectors.networks import row_links

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import date, datetime

    from contractor.trade.phases import Follows, JobNetwork
    from crews.models import Crew, Equipment
    from jobs.selectors.crew_site import TicketLine
    from jobs.selectors.crew_work import Work
    from jobs.selectors.hold_facts import HoldFact

_WHO = {
    Performer.CREW: "a crew that is not set yet",
    Performer.AUTHORITY: "the inspector",
    Performer.SUB: "an outside trade",
}


def crew_week(*, crew: Crew, now: datetime) -> Week:
    """Return two weeks of the crew's published work, today first."""
    days = DaysOfCrew(crew, now)
    rows = _Reader(days, work_of_days(crew, now=now, until=days.until), now).rows()
    return Week(as_of=now, days=tuple(days.day(day, rows) for day in days.days))


def crew_phase(*, crew: Crew, phase_id: int, now: datetime) -> PhaseRow | None:
    """Return one phase of the crew's work, published or begun; None if it is not theirs."""
    work = work_of_phase(crew, phase_id=phase_id)
    if work is None:
        return None
    return _Reader(DaysOfCrew(crew, now), [work], now).rows()[0]


class _Reader:
    """Reads what is known of a crew's phases at one moment."""

    def __init__(self, days: DaysOfCrew, works: Sequence[Work], now: datetime) -> None:
        self.days = days
        self.works = works
        self.now = now
        self.crew = days.crew
        self.weather = weather_at(now)
        ids = {work.phase.job_id for work in works}
        self.jobs, facts = open_facts(jobs=ids, now=now)
        self.facts: dict[tuple[int, str], list[HoldFact]] = defaultdict(list)
        for fact in facts:
            if fact.kind is not HoldKind.WEATHER:  # told day by day
                self.facts[fact.job_id, fact.phase_code].append(fact)
        beside = Booking.objects.filter(is_live=True, phase__job__in=ids).select_related("crew")
        self.booked = {row.phase_id: row for row in beside}
        self.visits: dict[int, list[Inspection]] = defaultdict(list)
        asked = Inspection.objects.filter(status__in=visits.OPEN, phase__job__in=ids)
        for visit in asked.select_related("phase").order_by("visit_from", "id"):
            self.visits[visit.phase.job_id].append(visit)
        self.machine_bookings = self._machine_bookings()

    def rows(self) -> list[PhaseRow]:
        """Return the phases with all that is known of each."""
        return [self._row(work) for work in self.works]

    def _row(self, work: Work) -> PhaseRow:
        phase = work.phase
        # The job with its rows; one that is not signed has none to tell.
        phase.job = self.jobs.get(phase.job_id, phase.job)
        found = built(phase.job) if phase.job_id in self.jobs else None
        building, network = found if found else (None, None)
        days = self.days.of(work)
        digs = bool(network and phase.code in network.dig_phases)
        machines = list(work.booking.equipment.all()) if work.booking else []
        gates = crew_site.gates_of(phase.code, machines)
        holds = self._holds(phase, days, digs=digs)
        material = _material(phase, network) if network else []
        others, own = self._after(phase, network) if network else ((), ())
        return PhaseRow(
            phase=phase,
            state=_state(phase, waits=bool(holds or others), in_turn=bool(own)),
            starts_at=work.starts_at,
            ends_at=work.ends_at,
            work_hours=work.booking.work_hours if work.booking else None,
            days=days,
            holds=holds,
            after=others,
            in_turn=own,
            then=self._then(phase, network) if network else (),
            is_late=_is_late(work, self.now),
            weather=tuple(
                (day, crew_site.weather_words(self.weather, phase.job, gates=gates, day=day))
                for day in days
            ),
            machines=tuple(self._machine_words(machine, work) for machine in machines),
            tickets=self._tickets(phase.job, days) if digs else (),
            deliveries=tuple(line for line, is_held in material if is_held),
            other_deliveries=tuple(
                line for line, is_held in material if line.is_open and not is_held
            ),
            visits=tuple(self.visits[phase.job_id]),
            building=building,
        )

    def _holds(self, phase: Phase, days: Sequence[date], *, digs: bool) -> tuple[str, ...]:
        if phase.status == Phase.Status.DONE:
            return ()
        if phase.job.status != Job.Status.SIGNED:
            return (f"The job is {phase.job.get_status_display().lower()}. Ask the office.",)
        facts = self.facts[phase.job_id, phase.code]
        words = [crew_site.hold_words(fact) for fact in facts]
        if digs and days and not any(fact.kind is HoldKind.LOCATE for fact in facts):
            words.append(crew_site.uncovered_words(phase.job.locate_tickets.all(), days))
        return tuple(word for word in words if word)

    def _after(self, phase: Phase, network: JobNetwork) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Return what others must have done before it, and what the crew itself must have."""
        if phase.status != Phase.Status.OPEN:
            return (), ()
        kinds = {fact.kind for fact in self.facts[phase.job_id, phase.code]}
        others, own = [], []
        for link, before, after in row_links(network, phase.job.phases.all()):
            if after.pk != phase.pk or _is_free(before, link):
                continue
            booking = self.booked.get(before.pk)
            if booking is not None and booking.crew_id == self.crew.pk:
                own.append(f"After {self._by_whom(before)}.")
            elif not (link.before in INSPECTIONS and HoldKind.INSPECTION in kinds):
                others.append(f"Comes after {self._by_whom(before)}.")
        return tuple(others), tuple(own)

    def _then(self, phase: Phase, network: JobNetwork) -> tuple[str, ...]:
        """Return what comes next at the site."""
        return tuple(
            self._by_whom(link.after)
            for link in row_links(network, phase.job.phases.all())
            if link.before.pk == phase.pk
            and link.after.status == Phase.Status.OPEN
            and link.after.pk in self.booked
        )

    def _by_whom(self, phase: Phase) -> str:
        what, booking = phase.get_code_display().lower(), self.booked.get(phase.pk)
        if booking is None:
            return f"{what}, which has no day yet"
        who = _WHO[PHASE_TABLE[phase.code].performer]
        if booking.crew is not None:
            who = "you" if booking.crew_id == self.crew.pk else booking.crew.name
        begins = timezone.localtime(booking.starts_at)
        return f"{what} by {who}, {begins:%a %b %-d, %H:%M}"

    def _tickets(self, job: Job, days: Sequence[date]) -> tuple[TicketLine, ...]:
        if job.pk not in self.jobs or not days:
            return ()
        return tuple(crew_site.ticket_lines(job.locate_tickets.all(), days))

    def _machine_bookings(self) -> dict[int, list[Booking]]:
        """Return what is still to come of each machine that the crew has."""
        ids = {m.pk for work in self.works if work.booking for m in work.booking.equipment.all()}
        rows = Booking.objects.filter(is_live=True, equipment__in=ids, ends_at__gt=self.now)
        rows = rows.distinct().select_related("crew", "phase__job").prefetch_related("equipment")
        found: dict[int, list[Booking]] = defaultdict(list)
        for row in rows.order_by("starts_at", "id"):
            for machine in row.equipment.all():
                found[machine.pk].append(row)
        return found

    def _machine_words(self, machine: Equipment, work: Work) -> str:
        later = _later(self.machine_bookings[machine.pk], work)
        row = next(later, None)
        if row is None:
            return f"{machine}: nobody has it after you"
        begins = f"{timezone.localtime(row.starts_at):%a %b %-d, %H:%M}"
        if row.crew_id == self.crew.pk:
            return f"{machine}: yours again on job {row.phase.job.number}, {begins}"
        return f"{machine}: {row.crew} has it next, job {row.phase.job.number}, {begins}"


def _material(phase: Phase, network: JobNetwork) -> list[tuple[DeliveryLine, bool]]:
    """Return the job's deliveries, each with whether the phase is what waits for it."""
    held = dict(network.deliveries)
    rows = sorted(phase.job.deliveries.all(), key=lambda row: row.pk)
    return [
        (DeliveryLine(row, crew_site.delivery_words(row)), held.get(row.item) == phase.code)
        for row in rows
    ]


def _later(rows: Iterable[Booking], work: Work) -> Iterator[Booking]:
    ends_at = work.booking.ends_at if work.booking else None
    return (row for row in rows if ends_at is not None and row.starts_at >= ends_at)


def _is_free(before: Phase, link: Follows) -> bool:
    """Return whether what comes before is done, or begun where that is enough."""
    is_begun = before.status == Phase.Status.UNDER_WAY
    return before.status == Phase.Status.DONE or (link.start_to_start and is_begun)


def _state(phase: Phase, *, waits: bool, in_turn: bool) -> RowState:
    if phase.status == Phase.Status.DONE:
        return RowState.DONE
    if phase.stopped_by:
        return RowState.STOPPED
    if phase.status == Phase.Status.UNDER_WAY:
        return RowState.UNDER_WAY
    if waits:
        return RowState.WAITS
    return RowState.IN_TURN if in_turn else RowState.CLEARED


def _is_late(work: Work, now: datetime) -> bool:
    is_open = work.phase.status != Phase.Status.DONE
    return is_open and work.booking is not None and work.booking.ends_at < now
