"""From the open work to the engine's problem: where trade and engine meet."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import product
from typing import TYPE_CHECKING

from contractor.engine import problem as engine
from contractor.engine.worktime import SLOT_MINUTES, SLOTS_PER_DAY, Axis
from contractor.trade.notice import AskedWhen
from contractor.trade.phases import PHASE_TABLE, JobNetwork, Performer, PhaseKind, WaitKind
from contractor.trade.phases import job_network
from inspections.models import Inspection
from jobs.models import Job, Phase
from jobs.selectors.buildings import building_of
from jobs.services.calendars import Calendars, visit_windows
from jobs.services.holds import Hold, NoDate, delivery_hold, dig_windows, site_holds
from jobs.services.wait_tables import WaitTables

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from contractor.trade.building import Building
    from contractor.trade.phases import Follows
    from inspections.models import Authority
    from jobs.selectors.open_work import OpenWork

# How far back a finished pour or dig can still make someone wait.
LOOK_BACK = timedelta(days=120)


@dataclass(frozen=True, slots=True)
class LinkNote:
    """What a link of the problem stands for, to show its wait to people."""

    kind: str
    basis: str


@dataclass(frozen=True, slots=True)
class Portfolio:
    """A problem with the rows its indexes stand for."""

    problem: engine.Problem
    work: OpenWork
    phases: tuple[Phase, ...]
    jobs: tuple[Job, ...]
    link_notes: tuple[LinkNote | None, ...]
    holds: tuple[tuple[Hold, ...], ...]
    crew_ids: dict[int, int]
    machine_ids: dict[int, int]


def build_portfolio(*, work: OpenWork, zone: ZoneInfo, horizon_days: int) -> Portfolio:
    """
    Return the problem of all open work on an axis of so many days.

    Raises
    ------
    contractor.engine.worktime.HorizonExceeded
        If something lies beyond the axis; call again with a longer one.
    """
    return _Builder(work, zone, horizon_days).build()


def network_of(job: Job, building: Building) -> JobNetwork:
    """Return a job's network under its authority's inspections; none where it is exempt."""
    permit = getattr(job, "permit", None)
    wanted = permit is not None and not permit.is_exempt
    inspections = permit.authority.required_inspections() if wanted else frozenset()
    return job_network(building=building, inspections=inspections)


class _Builder:
    """Collects activities and links job by job."""

    def __init__(self, work: OpenWork, zone: ZoneInfo, horizon_days: int) -> None:
        self.work = work
        axis = Axis(origin=_origin(work, zone), slots=horizon_days * SLOTS_PER_DAY)
        self.calendars = Calendars(axis=axis, zone=zone, closed=work.firm_days_off)
        self.waits = WaitTables(calendars=self.calendars, firm=work.firm)
        self.now = axis.slot_at_or_after(work.now)
        self.resources = self._resources()
        self.crew_index = {crew.pk: index for index, crew in enumerate(work.crews)}
        self.machines_of_kind: dict[str, list[int]] = {}
        for index, machine in enumerate(work.equipment, start=len(work.crews)):
            self.machines_of_kind.setdefault(machine.kind, []).append(index)
        self.activities: list[engine.Activity] = []
        self.phases: list[Phase] = []
        self.holds: list[tuple[Hold, ...]] = []
        self.links: list[engine.Link] = []
        self.link_notes: list[LinkNote | None] = []

    def build(self) -> Portfolio:
        jobs = tuple(
            self._job(index, job) for index, job in enumerate(self.work.jobs)
        )
        freeze = self.calendars.local(self.now) + timedelta(days=self.work.firm.freeze_days)
        problem = engine.Problem(
            axis=self.calendars.axis,
            now=self.now,
            calendars=tuple(self.calendars.built),
            resources=self.resources,
            activities=tuple(self.activities),
            links=tuple(self.links),
            waits=tuple(self.waits.built),
            jobs=jobs,
            freeze_until=self.calendars.slot_of_day(freeze.date()),
        )
        first_machine = len(self.work.crews)
        return Portfolio(
            problem=problem,
            work=self.work,
            phases=tuple(self.phases),
            jobs=self.work.jobs,
            link_notes=tuple(self.link_notes),
            holds=tuple(self.holds),
            crew_ids={index: crew.pk for index, crew in enumerate(self.work.crews)},
            machine_ids={
                first_machine + index: machine.pk
                for index, machine in enumerate(self.work.equipment)
            },
        )

    def _resources(self) -> tuple[engine.Resource, ...]:
        crews = [engine.Resource(f"crew {crew.pk}", crew.name) for crew in self.work.crews]
        machines = [
            engine.Resource(
                f"machine {machine.pk}",
                machine.name,
                blocked=tuple(
                    (
                        self.calendars.slot_of_day(day_off.first_day),
                        self.calendars.slot_of_day(day_off.last_day + timedelta(days=1)),
                    )
                    for day_off in machine.days_off.all()
                    if day_off.last_day >= self.calendars.local(self.now).date()
                ),
            )
            for machine in self.work.equipment
        ]
        return (*crews, *machines)

    def _job(self, index: int, job: Job) -> engine.Job:
        building = building_of(job)
        _JobActivities(self, index, job, building, network_of(job, building)).add()
        promise = job.promised_on
        return engine.Job(
            key=job.number,
            due=self.calendars.slot_of_day(promise + timedelta(days=1)) if promise else None,
            weight=float(job.promise_weight),
            preferred_crew=self._preferred_crew(job),
        )

    def _preferred_crew(self, job: Job) -> int | None:
        """Return the crew that is on the job already, else the one the office wishes."""
        worked = [phase for phase in job.phases.all() if phase.crew_id and phase.started_at]
        latest = max(worked, key=lambda phase: phase.started_at, default=None)
        wanted = latest.crew_id if latest else job.preferred_crew_id
        return self.crew_index.get(wanted) if wanted else None


class _JobActivities:
    """Adds one job's phases and the links between them."""

    def __init__(
        self, owner: _Builder, index: int, job: Job, building: Building, network: JobNetwork
    ) -> None:
        self.owner = owner
        self.index = index
        self.job = job
        self.building = building
        self.network = network
        self.rows = {phase.code: phase for phase in job.phases.all()}
        self.activity_of: dict[str, int] = {}
        self.leaders: dict[str, list[Follows]] = {code: [] for code in self.rows}
        for follows in network.follows:
            if follows.before in self.rows and follows.after in self.rows:
                self.leaders[follows.after].append(follows)

    def add(self) -> None:
        for phase in self.rows.values():
            if phase.status != Phase.Status.DONE:
                self._add_phase(phase, PHASE_TABLE[phase.code])
        for phase in self.rows.values():
            if phase.status == Phase.Status.OPEN:
                self._add_links(phase)

    def _add_phase(self, phase: Phase, kind: PhaseKind) -> None:
        modes, no_mode_why = self._modes(phase, kind)
        holds: list[Hold] = []
        windows: tuple[engine.Window, ...] = ()
        if phase.status == Phase.Status.OPEN:
            try:
                holds, windows = self._holds(phase)
            except NoDate as reason:
                modes, no_mode_why = (), str(reason)
        binding = max(holds, key=lambda hold: hold.ends, default=None)
        self.activity_of[phase.code] = len(self.owner.activities)
        self.owner.phases.append(phase)
        self.owner.holds.append(tuple(holds))
        self.owner.activities.append(
            engine.Activity(
                key=f"{kind.label} of {self.job.number}",
                job=self.index,
                modes=modes,
                release=binding.ends if binding else 0,
                release_why=binding.why if binding else "",
                windows=windows,
                pin=self._pin(phase),
                announced=self._announced(phase),
                under_way=phase.status == Phase.Status.UNDER_WAY,
                no_mode_why=no_mode_why,
            )
        )

    def _modes(self, phase: Phase, kind: PhaseKind) -> tuple[tuple[engine.Mode, ...], str]:
        calendars = self.owner.calendars
        if kind.performer is Performer.AUTHORITY:
            return tuple(
                engine.Mode(None, _slots_of_window(window), calendars.of_visits(authority, window))
                for authority in (self.job.permit.authority,)
                for window in visit_windows(authority)
            ), ""
        if kind.performer is Performer.SUB:
            hours = (phase.office_hours or kind.nominal_hours) * (1 - phase.share_done)
            return (engine.Mode(None, _slots(hours), calendars.of_outside_trades()),), ""
        return self._crew_modes(phase, kind)

    def _crew_modes(self, phase: Phase, kind: PhaseKind) -> tuple[tuple[engine.Mode, ...], str]:
        """Return every crew that can do the phase, with every set of machines it needs."""
        owner = self.owner
        machines = [owner.machines_of_kind.get(name, []) for name in sorted(kind.equipment)]
        if not all(machines):
            return (), f"no {' or '.join(sorted(kind.equipment)).lower()} is in service"
        hours = phase.planned_hours * (1 - phase.share_done)
        modes = []
        for crew in owner.work.crews:
            if phase.status == Phase.Status.UNDER_WAY and phase.crew_id not in (None, crew.pk):
                continue
            if not kind.skills <= set(crew.skills) or crew.size < kind.min_people:
                continue
            people = min(crew.size, kind.max_people)
            modes.extend(
                engine.Mode(
                    crew=owner.crew_index[crew.pk],
                    work_slots=_slots(hours / (people * crew.pace)),
                    calendar=owner.calendars.of_crew(crew, drive_minutes=self.job.drive_minutes),
                    machines=chosen,
                )
                for chosen in product(*machines)
            )
        if modes:
            return tuple(modes), ""
        skills = ", ".join(sorted(kind.skills)).lower()
        return (), f"no active crew of {kind.min_people} or more people has the skills {skills}"

    def _holds(self, phase: Phase) -> tuple[list[Hold], tuple[engine.Window, ...]]:
        calendars, now = self.owner.calendars, self.owner.now
        holds = [hold for follows in self.leaders[phase.code] if (hold := self._behind(follows))]
        if all(self.rows[row.before].status == "DONE" for row in self.leaders[phase.code]):
            holds += site_holds(job=self.job, code=phase.code, calendars=calendars, now=now)
        for item, code in self.network.deliveries:
            if code == phase.code:
                hold = delivery_hold(
                    job=self.job,
                    building=self.building,
                    item=item,
                    code=code,
                    calendars=calendars,
                    now=now,
                )
                holds += [hold] if hold else []
        if phase.code in PHASES_OF_AUTHORITIES:
            holds += self._asking_holds(phase)
        if phase.code not in self.network.dig_phases:
            return holds, ()
        windows, locate = dig_windows(
            job=self.job, code=phase.code, calendars=calendars, now=now
        )
        return holds + ([locate] if locate else []), windows

    def _behind(self, follows: Follows) -> Hold | None:
        """Return the wait that a leader which is done, or has begun, still causes."""
        leader = self.rows[follows.before]
        moment = leader.started_at if follows.start_to_start else leader.done_at
        if moment is None or follows.after in PHASES_OF_AUTHORITIES:
            return None
        begins = self.owner.calendars.slot_of(moment)
        index, note = self._wait_of(follows)
        ends = self.owner.waits.at(index, begins)
        if note is None or ends <= self.owner.now:
            return None
        return Hold(note.kind, follows.after, ends, note.basis, begins, follows.before)

    def _add_links(self, phase: Phase) -> None:
        for follows in self.leaders[phase.code]:
            leader = self.rows[follows.before]
            if leader.status == Phase.Status.DONE:
                continue
            if phase.code in PHASES_OF_AUTHORITIES:
                self._add_asking_links(phase, follows)
            elif not (follows.start_to_start and leader.status == Phase.Status.UNDER_WAY):
                index, note = self._wait_of(follows)
                self._link(follows, index, note, start_to_start=follows.start_to_start)

    def _wait_of(self, follows: Follows) -> tuple[int | None, LinkNote | None]:
        waits = self.owner.waits
        if follows.cure:
            share = f"{follows.cure.strength_share:.0%} of 28-day strength"
            where = "in the ground" if follows.cure.buried else "in the air"
            basis = f"{share} at the temperatures expected {where}. {follows.why}"
            index = waits.cure(follows.cure, lag_hours=follows.lag_hours)
            return index, LinkNote(WaitKind.CURE.value, basis)
        index = waits.lag(follows.lag_hours)
        return index, LinkNote("LAG", follows.why) if index is not None else None

    def _link(
        self,
        follows: Follows,
        wait: int | None,
        note: LinkNote | None,
        *,
        start_to_start: bool = False,
    ) -> None:
        self.owner.links.append(
            engine.Link(
                before=self.activity_of[follows.before],
                after=self.activity_of[follows.after],
                start_to_start=start_to_start,
                wait=wait,
                why=note.basis if note else follows.why,
            )
        )
        self.owner.link_notes.append(note)

    def _add_asking_links(self, phase: Phase, follows: Follows) -> None:
        """Hold a visit until its work is ready, and until it could be asked for."""
        authority = self.job.permit.authority
        waits = self.owner.waits
        asked_when = AskedWhen(authority.asked_when)
        asked = phase.pk in self.owner.work.visits
        begun = self.rows[follows.before].started_at is not None
        notice = LinkNote(WaitKind.INSPECTION_NOTICE.value, _notice_basis(authority))
        if asked_when is AskedWhen.READY and not asked:
            self._link(follows, waits.notice(authority), notice)
            return
        self._link(follows, waits.next_visit(authority), None)
        if asked_when is AskedWhen.WORK_STARTED and not asked and not begun:
            self._link(follows, waits.notice(authority), notice, start_to_start=True)

    def _asking_holds(self, phase: Phase) -> list[Hold]:
        """Return the wait from the request, made or to be made now, to the visit."""
        owner, authority = self.owner, self.job.permit.authority
        kind = WaitKind.INSPECTION_NOTICE.value
        visit = owner.work.visits.get(phase.pk)
        if visit and visit.status == Inspection.Status.CONFIRMED and visit.visit_from:
            begins = owner.calendars.slot_of(visit.visit_from)
            if visit.visit_from >= owner.work.now:
                return [Hold(kind, phase.code, begins, "visit confirmed", owner.now)]
        if visit:
            begins = owner.calendars.slot_of(visit.requested_at)
        elif self._may_ask_now(phase, authority):
            begins = owner.now
        else:
            return []
        ends = max(owner.waits.at(owner.waits.notice(authority), begins), owner.now)
        ends = owner.waits.at(owner.waits.next_visit(authority), ends)
        return [Hold(kind, phase.code, ends, _notice_basis(authority), begins)]

    def _may_ask_now(self, phase: Phase, authority: Authority) -> bool:
        leaders = [self.rows[follows.before] for follows in self.leaders[phase.code]]
        if authority.asked_when == AskedWhen.AHEAD.value:
            return True
        if authority.asked_when == AskedWhen.WORK_STARTED.value:
            return all(leader.started_at for leader in leaders)
        return all(leader.status == Phase.Status.DONE for leader in leaders)

    def _pin(self, phase: Phase) -> engine.Pin | None:
        if phase.pinned_start_at is None or phase.status != Phase.Status.OPEN:
            return None
        crew = self.owner.crew_index.get(phase.pinned_crew_id) if phase.pinned_crew_id else None
        return engine.Pin(crew=crew, start=self.owner.calendars.slot_of(phase.pinned_start_at))

    def _announced(self, phase: Phase) -> engine.Announced | None:
        booking = self.owner.work.told.get(phase.pk)
        if booking is None:
            return None
        start = self.owner.calendars.slot_of(booking.starts_at)
        return engine.Announced(
            crew=self.owner.crew_index.get(booking.crew_id) if booking.crew_id else None,
            start=start,
            weight=_telling_weight(start - self.owner.now),
        )


PHASES_OF_AUTHORITIES = frozenset(
    kind.code for kind in PHASE_TABLE.values() if kind.performer is Performer.AUTHORITY
)


def _telling_weight(slots_ahead: int) -> float:
    """Return what a day's move costs: dear within a week, little beyond a month. Our own."""
    days = slots_ahead / SLOTS_PER_DAY
    return 1.0 if days <= 7 else 0.3 if days <= 30 else 0.05


def _origin(work: OpenWork, zone: ZoneInfo) -> datetime:
    """Return local midnight before anything that still makes someone wait."""
    moments = [work.now]
    for job in work.jobs:
        for phase in job.phases.all():
            moments += [moment for moment in (phase.started_at, phase.done_at) if moment]
    moments += [visit.requested_at for visit in work.visits.values()]
    earliest = max(min(moments), work.now - LOOK_BACK).astimezone(zone)
    return earliest.replace(hour=0, minute=0, second=0, microsecond=0)


def _slots(hours: float) -> int:
    """Return working hours as whole quarter hours, at least one."""
    return max(1, -int(-hours * 60 // SLOT_MINUTES))


def _slots_of_window(window: tuple[object, object]) -> int:
    opens, closes = window
    minutes = (closes.hour - opens.hour) * 60 + closes.minute - opens.minute  # type: ignore[attr-defined]
    return int(minutes // SLOT_MINUTES)


def _notice_basis(authority: Authority) -> str:
    days = authority.notice_working_days
    return (
        f"{authority.name}: asked by {authority.request_cutoff:%-I:%M %p}, "
        f"{days} working day{'' if days == 1 else 's'} of notice"
    )
