"""From the open work to the engine's problem: where trade and engine meet."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from hashlib import sha256
from typing import TYPE_CHECKING

from contractor.engine import problem as engine
from contractor.engine.worktime import SLOTS_PER_DAY, Axis
from contractor.trade.errors import SpecError
from jobs.models import Job, Phase
from jobs.selectors.buildings import building_of
from jobs.selectors.networks import network_of
from jobs.services.early_finishes import Earlier, pull_forward
from jobs.services.holds import Hold
from jobs.services.job_activities import JobActivities
from jobs.services.problem_parts import ProblemParts, Stretch
from jobs.services.site_wishes import visit_price
from jobs.services.wait_tables import LinkNote

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

    from jobs.selectors.open_work import OpenWork
    from jobs.services.calendars import Calendars

# How far back a finished pour or dig can still make someone wait.
LOOK_BACK = timedelta(days=120)
# By how many days another crew must be done sooner to take a phase from the job's own; our own.
CHANGE_CREW_DAYS = 5
# How many whole days in a row may pass without work in the middle of a phase: a holiday weekend
# may, a week's closing may not, as half-set trusses do not stand that long; our own.
LONGEST_PAUSE_DAYS = 4


@dataclass(frozen=True, slots=True)
class Portfolio:
    """
    A problem with the rows its indexes stand for; `earlier` has what an early finish lets do.

    `parts` are what it was put together from.
    """

    problem: engine.Problem
    work: OpenWork
    stretches: tuple[Stretch, ...]
    jobs: tuple[Job, ...]
    link_notes: tuple[LinkNote | None, ...]
    holds: tuple[tuple[Hold, ...], ...]
    crew_ids: dict[int, int]
    machine_ids: dict[int, int]
    calendars: Calendars
    earlier: dict[int, Earlier]
    parts: ProblemParts


def build_portfolio(*, work: OpenWork, zone: ZoneInfo, horizon_days: int) -> Portfolio:
    """
    Return the problem of all open work on an axis of so many days.

    Raises
    ------
    contractor.engine.worktime.HorizonExceeded
        If something lies beyond the axis; call again with a longer one.
    """
    axis = Axis(origin=_origin(work, zone), slots=horizon_days * SLOTS_PER_DAY)
    parts = ProblemParts(work=work, axis=axis, zone=zone)
    jobs = tuple(_job(parts, index, job) for index, job in enumerate(work.jobs))
    freeze = parts.calendars.local(parts.now) + timedelta(days=work.firm.freeze_days)
    freeze_until = parts.calendars.slot_of_day(freeze.date())
    jobs_forward = frozenset(i for i, job in enumerate(work.jobs) if job.pk in work.forward)
    earlier = pull_forward(parts, freeze_until=freeze_until, jobs_forward=jobs_forward)
    problem = engine.Problem(
        axis=axis,
        now=parts.now,
        calendars=tuple(parts.calendars.built),
        resources=parts.resources(),
        activities=tuple(parts.activities),
        links=tuple(parts.links),
        waits=tuple(parts.waits.built),
        jobs=jobs,
        freeze_until=freeze_until,
        change_crew_slots=CHANGE_CREW_DAYS * SLOTS_PER_DAY,
        # Four days off and the nights at their two ends are less than five times 24 hours.
        longest_pause_slots=(LONGEST_PAUSE_DAYS + 1) * SLOTS_PER_DAY,
    )
    return Portfolio(
        problem=problem,
        work=work,
        stretches=tuple(parts.stretches),
        jobs=work.jobs,
        link_notes=tuple(parts.link_notes),
        holds=tuple(parts.holds),
        crew_ids={index: crew for crew, index in parts.crew_index.items()},
        machine_ids={index: machine for machine, index in parts.machine_index.items()},
        calendars=parts.calendars,
        earlier=earlier,
        parts=parts,
    )


def with_more_jobs(portfolio: Portfolio, jobs: Sequence[Job]) -> Portfolio:
    """
    Return a portfolio with more jobs behind its own, all of which keep their indexes.

    Only for jobs of which nothing is told, begun or done. Raises HorizonExceeded.
    """
    before = portfolio.problem
    parts = portfolio.parts.again()
    # Pins may have been changed since the parts were put together.
    parts.activities[:] = before.activities
    added = [_job(parts, index, job) for index, job in enumerate(jobs, start=len(before.jobs))]
    problem = replace(
        before,
        calendars=tuple(parts.calendars.built),
        resources=parts.resources(),
        activities=tuple(parts.activities),
        links=tuple(parts.links),
        waits=tuple(parts.waits.built),
        jobs=(*before.jobs, *added),
    )
    all_jobs = (*portfolio.jobs, *jobs)
    return replace(
        portfolio,
        problem=problem,
        work=replace(portfolio.work, jobs=all_jobs),
        stretches=tuple(parts.stretches),
        jobs=all_jobs,
        link_notes=tuple(parts.link_notes),
        holds=tuple(parts.holds),
        calendars=parts.calendars,
        parts=parts,
    )


def state_of(problem: engine.Problem) -> str:
    """
    Return the days of a problem's axis and a digest of all that plans of it depend on.

    Two plans with the same state have been made of the same work, so their costs compare.
    """
    modes: dict[engine.Mode, int] = {}
    # By identity: activities that are done alike have the same tuple, of hundreds of ways.
    ways_of: dict[int, str] = {}
    digest = sha256()
    for activity in problem.activities:
        alike = id(activity.modes)
        if alike not in ways_of:
            ways_of[alike] = repr([modes.setdefault(mode, len(modes)) for mode in activity.modes])
        told, pin = activity.announced, activity.pin
        what = (activity.key, activity.job)
        when = (
            activity.release,
            [(window.opens, window.closes) for window in activity.windows],
            pin and (pin.crew, pin.start),
            told and (told.crew, told.start, told.weight),
            activity.under_way,
        )
        # One tuple in print, of which the ways are printed already.
        digest.update(f"{str(what)[:-1]}, {ways_of[alike]}, {str(when)[1:]}".encode())
    for rows in (modes, problem.links, problem.jobs, problem.resources):
        digest.update(repr(list(rows)).encode())
    for calendar in problem.calendars:
        digest.update(calendar.working.data)
    for wait in problem.waits:
        digest.update(wait.table.data)
    rest = (
        problem.axis.origin,
        problem.now,
        problem.freeze_until,
        problem.change_crew_slots,
        problem.float_slots,
        problem.visit_pause_slots,
        problem.longest_pause_slots,
    )
    digest.update(repr(rest).encode())
    return f"{problem.axis.slots // SLOTS_PER_DAY}:{digest.hexdigest()[:32]}"


def _job(parts: ProblemParts, index: int, job: Job) -> engine.Job:
    """Add a job's activities and return the job as the engine knows it."""
    try:
        building = building_of(job)
    except SpecError as error:
        _add_unbuildable(parts, index, job, str(error.faults[0]))
    else:
        JobActivities(parts, index, job, building, network_of(job, building)).add()
    promise = job.promised_on
    return engine.Job(
        key=job.number,
        due=parts.calendars.slot_of_day(promise + timedelta(days=1)) if promise else None,
        weight=float(job.promise_weight),
        preferred_crew=_preferred_crew(parts, job),
        begun=any(phase.status != Phase.Status.OPEN for phase in job.phases.all()),
        visit_price=visit_price(drive_minutes=job.drive_minutes),
    )


def _add_unbuildable(parts: ProblemParts, index: int, job: Job, reason: str) -> None:
    """Keep a job that cannot be built as entered in the plan's list, with the reason."""
    for phase in job.phases.all():
        if phase.status != Phase.Status.DONE:
            parts.add_activity(
                Stretch((phase,)),
                engine.Activity(
                    key=f"{phase.get_code_display()} of {job.number}",
                    job=index,
                    modes=(),
                    no_mode_why=f"the building cannot be built as entered: {reason}",
                ),
            )


def _preferred_crew(parts: ProblemParts, job: Job) -> int | None:
    """Return the crew that is on the job already, else the one the office wishes."""
    worked = [
        (phase.started_at, phase.crew_id)
        for phase in job.phases.all()
        if phase.crew_id and phase.started_at
    ]
    wanted = max(worked)[1] if worked else job.preferred_crew_id
    return parts.crew_index.get(wanted) if wanted else None


def _origin(work: OpenWork, zone: ZoneInfo) -> datetime:
    """Return local midnight before anything that still makes someone wait."""
    moments = [work.now]
    for job in work.jobs:
        for phase in job.phases.all():
            moments += [moment for moment in (phase.started_at, phase.done_at) if moment]
    moments += [visit.requested_at for visit in work.visits.values()]
    earliest = max(min(moments), work.now - LOOK_BACK).astimezone(zone)
    return earliest.replace(hour=0, minute=0, second=0, microsecond=0)
