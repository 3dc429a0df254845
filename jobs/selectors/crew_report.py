"""The crews' report of a stored plan, in words: the page and the API read it here alike."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from contractor.engine.crew_report import OWN_WORK, Cause, crew_report
from contractor.engine.schedule import Bind
from contractor.engine.worktime import SLOTS_PER_HOUR
from contractor.trade.phases import WaitKind
from jobs.selectors.stored_plan import EARLIER_PHASE, EARLIEST_DATE, StoredPlan, midnight

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date

    from contractor.engine import crew_report as engine
    from contractor.engine.worktime import WorkCalendar
    from crews.models import Crew
    from jobs.models import Job

CREW, MACHINE, OWN, OTHERS = "CREW", "MACHINE", "OWN_WORK", "OTHERS"
LABELS: Mapping[str, str] = {
    OWN: "the job's own work, for which the promise was too short",
    OTHERS: "visits and outside trades on other jobs",
    EARLIER_PHASE: "an earlier phase",
    EARLIEST_DATE: "an earliest date",
    WaitKind.CURE.value: "concrete that cures",
    WaitKind.INSPECTION_NOTICE.value: "an inspector's visit",
    WaitKind.LOCATE.value: "a locate ticket",
    WaitKind.DELIVERY.value: "a delivery",
    WaitKind.PERMIT.value: "a permit",
    "LAG": "a lag between phases",
    "STOPPED": "work that was stopped",
    "WEATHER": "weather",
    "SITE_NOT_READY": "a site that is not ready",
    Bind.CALENDAR.value: "a closing",
    Bind.WINDOW.value: "the next visit or live ticket",
    Bind.PIN.value: "a pin",
    Bind.FROZEN.value: "the date people were told",
    Bind.FLOW.value: "begun later on purpose, so that a job runs through",
}


@dataclass(frozen=True, slots=True)
class Reason:
    """What was waited for: a code, the crew or machine that was busy, and both in words."""

    kind: str
    who: str
    label: str


@dataclass(frozen=True, slots=True)
class WeekOfCrew:
    """One ISO week: hours of a crew's shifts, not off or set aside, and those a booking takes."""

    week: str
    monday: date
    working_hours: float
    booked_hours: float


@dataclass(frozen=True, slots=True)
class CrewOfPlan:
    """One crew. `idle` has hours by what the next booking waited for, `late` days by job."""

    crew: Crew
    weeks: tuple[WeekOfCrew, ...]
    idle: tuple[tuple[Reason, float], ...]
    driving_hours: float
    late: tuple[tuple[Job, float], ...]

    @property
    def working_hours(self) -> float:
        """Return the hours of the crew's shifts over the plan's span."""
        return sum(week.working_hours for week in self.weeks)

    @property
    def booked_hours(self) -> float:
        """Return the part of them that bookings take."""
        return sum(week.booked_hours for week in self.weeks)

    @property
    def idle_hours(self) -> float:
        """Return the hours between its first and its last booking without work."""
        return sum(hours for _, hours in self.idle)

    @property
    def days_late(self) -> float:
        """Return the days of lateness that go back to waiting for this crew."""
        return sum(days for _, days in self.late)


@dataclass(frozen=True, slots=True)
class LateJobOfPlan:
    """A job with its days late and what they go back to, most first."""

    job: Job
    days_late: int
    reasons: tuple[tuple[Reason, float], ...]


@dataclass(frozen=True, slots=True)
class CrewsOfPlan:
    """Crews by name, late jobs with the latest first, and all their lateness by reason."""

    crews: tuple[CrewOfPlan, ...]
    late_jobs: tuple[LateJobOfPlan, ...]
    reasons: tuple[tuple[Reason, float], ...]

    @property
    def days_late(self) -> int:
        """Return the days late of all jobs together."""
        return sum(job.days_late for job in self.late_jobs)


def crews_of_plan(stored: StoredPlan) -> CrewsOfPlan:
    """Return the crews' report of a plan."""
    found = crew_report(
        stored.problem,
        stored.schedule,
        own_calendars=_own_calendars(stored),
        week_edges=_week_edges(stored),
    )
    late_jobs = [
        LateJobOfPlan(stored.jobs[row.job], row.days, _reasons(stored, row.causes))
        for row in found.late_jobs
    ]
    return CrewsOfPlan(
        crews=tuple(_crew(stored, row) for row in found.crews),
        late_jobs=tuple(sorted(late_jobs, key=lambda row: (-row.days_late, row.job.number))),
        reasons=_summed(row for job in late_jobs for row in job.reasons),
    )


def _own_calendars(stored: StoredPlan) -> dict[int, WorkCalendar]:
    return {index: days.calendar(0, stored.problem.axis) for index, days in enumerate(stored.crews)}


def _week_edges(stored: StoredPlan) -> list[int]:
    axis = stored.problem.axis
    edges = [axis.slot_at_or_after(midnight(day, stored.zone)) for day in stored.mondays]
    return [*edges, axis.slots]


def _crew(stored: StoredPlan, row: engine.CrewReport) -> CrewOfPlan:
    weeks = zip(stored.mondays, row.weeks, strict=True)
    return CrewOfPlan(
        crew=stored.crews[row.crew].crew,
        weeks=tuple(
            WeekOfCrew(
                week=f"{monday:%G-W%V}",
                monday=monday,
                working_hours=week.open_slots / SLOTS_PER_HOUR,
                booked_hours=week.taken_slots / SLOTS_PER_HOUR,
            )
            for monday, week in weeks
        ),
        idle=tuple(
            (_own(reason, stored.crews[row.crew].crew), slots / SLOTS_PER_HOUR)
            for reason, slots in _reasons(stored, row.idle)
        ),
        driving_hours=row.away_slots / SLOTS_PER_HOUR,
        late=tuple((stored.jobs[job], days) for job, days in row.late_days),
    )


def _reasons(
    stored: StoredPlan, causes: Iterable[tuple[Cause, float]]
) -> tuple[tuple[Reason, float], ...]:
    return _summed((_reason(stored, cause), amount) for cause, amount in causes)


def _own(reason: Reason, crew: Crew) -> Reason:
    """Return the reason of a gap; what a crew itself is to blame for was kept free and not used."""
    if (reason.kind, reason.who) != (CREW, crew.name):
        return reason
    return replace(reason, label="kept for work that was held back since")


def _summed(rows: Iterable[tuple[Reason, float]]) -> tuple[tuple[Reason, float], ...]:
    """Return the sum of each reason, most first."""
    total: dict[Reason, float] = {}
    for reason, amount in rows:
        total[reason] = total.get(reason, 0.0) + amount
    return tuple(sorted(total.items(), key=lambda row: (-row[1], row[0].label)))


def _reason(stored: StoredPlan, cause: Cause) -> Reason:
    if cause == OWN_WORK:
        return Reason(OWN, "", LABELS[OWN])
    if cause.kind in (Bind.CREW, Bind.MACHINE):
        kind = CREW if cause.kind is Bind.CREW else MACHINE
        if cause.resource is None:
            return Reason(kind, "", "a machine of another job")
        who = stored.problem.resources[cause.resource].label
        return Reason(kind, who, f"{who}, busy on other work")
    if cause.kind in (Bind.LINK, Bind.RELEASE):
        kind = cause.why or OTHERS
        return Reason(kind, "", LABELS[kind])
    return Reason(cause.kind.value.upper(), "", LABELS[cause.kind.value])
