"""From the open work to the engine's problem: where trade and engine meet."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from contractor.engine import problem as engine
from contractor.engine.worktime import SLOTS_PER_DAY, Axis
from contractor.trade.errors import SpecError
from contractor.trade.phases import (
    JobNetwork,
    job_network,
)
from jobs.models import Job, Phase
from jobs.selectors.buildings import building_of
from jobs.services.calendars import Calendars
from jobs.services.holds import Hold
from jobs.services.job_activities import JobActivities, LinkNote, Stretch
from jobs.services.wait_tables import WaitTables

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from contractor.trade.building import Building
    from jobs.selectors.open_work import OpenWork

# How far back a finished pour or dig can still make someone wait.
LOOK_BACK = timedelta(days=120)
# By how many days another crew must be done sooner to take a phase from the job's own; our own.
CHANGE_CREW_DAYS = 5


@dataclass(frozen=True, slots=True)
class Portfolio:
    """A problem with the rows its indexes stand for."""

    problem: engine.Problem
    work: OpenWork
    stretches: tuple[Stretch, ...]
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
    return PortfolioBuilder(work, zone, horizon_days).build()


def network_of(job: Job, building: Building) -> JobNetwork:
    """Return a job's network under its authority's inspections; none where it is exempt."""
    permit = getattr(job, "permit", None)
    inspections = (
        frozenset()
        if permit is None or permit.is_exempt
        else permit.authority.required_inspections()
    )
    return job_network(building=building, inspections=inspections)


class PortfolioBuilder:
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
        self.stretches: list[Stretch] = []
        self.holds: list[tuple[Hold, ...]] = []
        self.links: list[engine.Link] = []
        self.link_notes: list[LinkNote | None] = []

    def build(self) -> Portfolio:
        jobs = tuple(self._job(index, job) for index, job in enumerate(self.work.jobs))
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
            change_crew_slots=CHANGE_CREW_DAYS * SLOTS_PER_DAY,
        )
        first_machine = len(self.work.crews)
        return Portfolio(
            problem=problem,
            work=self.work,
            stretches=tuple(self.stretches),
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
        try:
            building = building_of(job)
        except SpecError as error:
            self._add_unbuildable(index, job, str(error.faults[0]))
        else:
            JobActivities(self, index, job, building, network_of(job, building)).add()
        promise = job.promised_on
        return engine.Job(
            key=job.number,
            due=self.calendars.slot_of_day(promise + timedelta(days=1)) if promise else None,
            weight=float(job.promise_weight),
            preferred_crew=self._preferred_crew(job),
            begun=any(phase.status != Phase.Status.OPEN for phase in job.phases.all()),
        )

    def _add_unbuildable(self, index: int, job: Job, reason: str) -> None:
        """Keep a job that cannot be built as entered in the plan's list, with the reason."""
        for phase in job.phases.all():
            if phase.status != Phase.Status.DONE:
                self.add_activity(
                    Stretch((phase,)),
                    engine.Activity(
                        key=f"{phase.get_code_display()} of {job.number}",
                        job=index,
                        modes=(),
                        no_mode_why=f"the building cannot be built as entered: {reason}",
                    ),
                )

    def add_activity(
        self, stretch: Stretch, activity: engine.Activity, holds: tuple[Hold, ...] = ()
    ) -> int:
        """Add an activity with the stretch and the holds it stands for; return its index."""
        self.activities.append(activity)
        self.stretches.append(stretch)
        self.holds.append(holds)
        return len(self.activities) - 1

    def _preferred_crew(self, job: Job) -> int | None:
        """Return the crew that is on the job already, else the one the office wishes."""
        worked = [
            (phase.started_at, phase.crew_id)
            for phase in job.phases.all()
            if phase.crew_id and phase.started_at
        ]
        wanted = max(worked)[1] if worked else job.preferred_crew_id
        return self.crew_index.get(wanted) if wanted else None


def _origin(work: OpenWork, zone: ZoneInfo) -> datetime:
    """Return local midnight before anything that still makes someone wait."""
    moments = [work.now]
    for job in work.jobs:
        for phase in job.phases.all():
            moments += [moment for moment in (phase.started_at, phase.done_at) if moment]
    moments += [visit.requested_at for visit in work.visits.values()]
    earliest = max(min(moments), work.now - LOOK_BACK).astimezone(zone)
    return earliest.replace(hour=0, minute=0, second=0, microsecond=0)
