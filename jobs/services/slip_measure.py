"""When phases and jobs end, and how many working quarter hours lie between two such moments."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.engine.explain import chain
from contractor.engine.schedule import Bind
from contractor.engine.worktime import SLOTS_PER_DAY, SLOTS_PER_HOUR, Axis, HorizonExceeded
from contractor.trade.causes import Cause
from contractor.trade.phases import PHASE_TABLE
from jobs.models import Phase
from jobs.selectors.crew_load import CrewDays
from jobs.selectors.site_calendars import site_calendar, whole_quarters
from jobs.services.plan_rows import PlanRows

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from zoneinfo import ZoneInfo

    from contractor.engine.planner import PlanResult
    from contractor.engine.worktime import WorkCalendar
    from crews.models import Crew
    from jobs.models import Booking, Job
    from jobs.selectors.open_work import OpenWork
    from jobs.services.plan_rows import Span
    from jobs.services.portfolio import Portfolio

# Beyond the last moment known, so that what is pushed over it is still measured.
MORE_DAYS = 400
LAST_DAYS = 3660
CAUSE_OF_WAIT = {
    "DELIVERY": Cause.MATERIAL,
    "PERMIT": Cause.INSPECTION,
    "INSPECTION_NOTICE": Cause.INSPECTION,
    "DRAWINGS": Cause.SITE_NOT_READY,
    "LOCATE": Cause.SITE_NOT_READY,
    "POSITIVE_RESPONSE": Cause.SITE_NOT_READY,
    "SITE_NOT_READY": Cause.SITE_NOT_READY,
    "EARLIEST_DATE": Cause.BUYERS_CHANGE,
    "WEATHER": Cause.WEATHER,
}


@dataclass(frozen=True, slots=True)
class Stretch:
    """A booking as a plan in the making has it."""

    phase_id: int
    job_id: int
    code: str
    label: str
    crew_id: int | None
    starts_at: datetime
    ends_at: datetime


@dataclass(frozen=True, slots=True)
class Root:
    """Where the reasons of a start begin: at a phase, by a wait of some kind, or by nothing."""

    phase_id: int
    job_id: int
    job_number: str
    label: str
    cause: Cause | None
    why: str


class Outcome:
    """What a plan of some open work says: when each phase ends, and what each start waits for."""

    def __init__(self, portfolio: Portfolio, result: PlanResult) -> None:
        self._portfolio = portfolio
        self._schedule = result.schedule
        self.stretches: dict[int, Stretch] = {
            span.phase.pk: _stretch(span) for span in PlanRows(portfolio, result.schedule).spans()
        }
        self.ends: dict[int, datetime] = {
            phase.pk: phase.done_at
            for job in portfolio.jobs
            for phase in job.phases.all()
            if phase.status == Phase.Status.DONE and phase.done_at
        }
        self.ends.update({phase: row.ends_at for phase, row in self.stretches.items()})
        self._activity = {
            phase.pk: index
            for index, stretch in enumerate(portfolio.stretches)
            for phase in stretch.phases
        }
        self._chains: dict[int, list[tuple[int, int, str]]] = {}
        self._roots: dict[int, Root] = {}

    def read_reasons(self, phases: Sequence[int]) -> None:
        """Read the reasons of these phases' starts now, before the rows are written on."""
        for phase in phases:
            index = self._activity.get(phase)
            if index is None:
                continue
            steps = chain(self._portfolio.problem, self._schedule, index)
            self._chains[phase] = [
                (row.first.pk, row.first.job_id, row.first.job.number)
                for step in steps
                for row in (self._portfolio.stretches[step.activity],)
            ]
            if steps:
                self._roots[phase] = self._root(steps[-1].activity)

    def jobs_behind(self, phase: int) -> list[tuple[int, int, str]]:
        """Return the phases that a start waits for, back to the first, each with its job."""
        return self._chains.get(phase, [])

    def root(self, phase: int) -> Root | None:
        """Return where the reasons of a phase's start begin."""
        return self._roots.get(phase)

    def _root(self, activity: int) -> Root:
        stretch = self._portfolio.stretches[activity]
        placed = self._schedule.placed[activity]
        holds = self._portfolio.holds[activity]
        cause, why = None, ""
        if placed is not None:
            because = placed.because
            behind = [b for b in placed.bounds if b.kind is Bind.RELEASE and b.slot == placed.start]
            if because.kind is Bind.RELEASE or (because.kind is Bind.FROZEN and behind):
                binding = max(holds, key=lambda hold: hold.ends, default=None)
                if binding:
                    cause, why = CAUSE_OF_WAIT.get(binding.kind), binding.why
        phase = stretch.first
        if phase.stopped_by and cause is None:
            cause = Cause(phase.stopped_by)
        return Root(phase.pk, phase.job_id, phase.job.number, phase.get_code_display(), cause, why)


class SiteDays:
    """
    Counts working quarter hours of a job's site: a crew's week less the drive, days off out.

    Only the firm's days off: what takes one crew's time (its own days off, time set aside) makes
    jobs late and is a cause of its own, so those hours are slipped and not left out.
    """

    def __init__(self, *, work: OpenWork, zone: ZoneInfo, since: datetime) -> None:
        origin = min(since, work.now).astimezone(zone)
        self._origin = origin.replace(hour=0, minute=0, second=0, microsecond=0)
        self._work = work
        self._zone = zone
        self._days = MORE_DAYS + (work.now - self._origin).days
        self._built: dict[tuple[int, int], WorkCalendar] = {}

    def between(self, job: Job, crew: Crew, before: datetime, after: datetime) -> int:
        """Return the working quarter hours from one moment to another, negative for sooner."""
        if after < before:
            return -self.between(job, crew, after, before)
        while True:
            try:
                axis, calendar = self._calendar(job, crew)
                return calendar.work_between(_slot(axis, before), _slot(axis, after))
            except HorizonExceeded:
                if self._days > LAST_DAYS:
                    raise
                self._days *= 2
                self._built.clear()

    def day_quarters(self, job: Job, crew: Crew) -> int:
        """Return how many quarter hours one working day has at the job's site."""
        week = crew.work_hours.week()
        drive = 2 * whole_quarters(job.drive_minutes)
        minutes = [
            sum((b.hour * 60 + b.minute) - (a.hour * 60 + a.minute) for a, b in shifts) - drive
            for shifts in week.values()
        ]
        at_work = [m for m in minutes if m > 0]
        if not at_work:
            return 1
        return max(1, round(sum(at_work) / len(at_work) * SLOTS_PER_HOUR / 60))

    def _calendar(self, job: Job, crew: Crew) -> tuple[Axis, WorkCalendar]:
        axis = Axis(origin=self._origin.astimezone(UTC), slots=self._days * SLOTS_PER_DAY)
        key = (crew.work_hours_id, whole_quarters(job.drive_minutes))
        if key not in self._built:
            self._built[key] = site_calendar(
                crew=crew,
                drive_minutes=job.drive_minutes,
                axis=axis,
                zone=self._zone,
                closed=self._work.firm_days_off,
                set_aside=(),
            )
        return axis, self._built[key]


def job_end(ends: Mapping[int, datetime], phases: Sequence[int]) -> datetime | None:
    """Return when the last of a job's phases ends, None where none has an end."""
    return max((ends[phase] for phase in phases if phase in ends), default=None)


def take_today_as_told(
    work: OpenWork, published: Mapping[int, Booking], known: Mapping[int, datetime]
) -> None:
    """
    Take work of today that nobody has reported to have gone as told, on the rows themselves.

    Crews report when they find the time; by the next morning silence counts. Not where the last
    comparison had it later already.
    """
    midnight = timezone.localtime(work.now).replace(hour=0, minute=0, second=0, microsecond=0)
    for job in work.jobs:
        rows = {phase.pk: phase for phase in job.phases.all()}
        booked = sorted(
            (published[key] for key in rows if key in published), key=lambda row: row.starts_at
        )
        for row in booked:
            phase = rows[row.phase_id]
            if phase.status == Phase.Status.DONE:
                continue
            on_time = known.get(phase.pk) == row.ends_at
            if midnight <= row.starts_at <= work.now < row.ends_at and on_time:
                _take_as_begun(work, phase, row)
            if not (midnight <= row.starts_at and row.ends_at <= work.now and on_time):
                break
            phase.status, phase.done_at = Phase.Status.DONE, row.ends_at
            phase.started_at = phase.started_at or row.starts_at
            phase.crew_id = phase.crew_id or row.crew_id


def _take_as_begun(work: OpenWork, phase: Phase, row: Booking) -> None:
    """Take unreported work to have begun as told, with as much left as the booking says."""
    if phase.status != Phase.Status.OPEN or row.crew is None or phase.planned_hours <= 0:
        return
    people = (
        min(_people(work, phase, row, row.crew), PHASE_TABLE[phase.code].max_people) * row.crew.pace
    )
    phase.status, phase.crew_id = Phase.Status.UNDER_WAY, row.crew_id
    phase.started_at = phase.share_at = row.starts_at
    phase.share_done = max(0.0, 1 - row.work_hours * people / phase.planned_hours)


def _people(work: OpenWork, phase: Phase, row: Booking, booked: Crew) -> int:
    """Return how many people a booking counts on; its crew may be out of use since."""
    crew = next((crew for crew in work.crews if crew.pk == booked.pk), booked)
    days = CrewDays(crew, firm_off=work.firm_days_off, lent=work.lent, set_aside=work.set_aside)
    first, last = timezone.localdate(row.starts_at), timezone.localdate(row.ends_at)
    return days.people_between(first, last, at_least=PHASE_TABLE[phase.code].min_people)


def _slot(axis: Axis, moment: datetime) -> int:
    return 0 if moment <= axis.origin else axis.slot_at_or_after(moment)


def _stretch(span: Span) -> Stretch:
    phase = span.phase
    return Stretch(
        phase.pk,
        phase.job_id,
        phase.code,
        phase.get_code_display(),
        span.crew_id,
        span.starts_at,
        span.ends_at,
    )
