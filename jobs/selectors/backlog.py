"""
The backlog: signed work not yet done, in jobs, hours, crew-days, money and weeks.

Contract value not yet earned is what accounting calls the transaction price of remaining
performance obligations: ASC 606-10-50-13 (from memory); it is earned here with the labor hours
done. Weeks of work are crew-days over the crews' net work days a week (common practice, no
source); days lost to weather are not taken off.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from typing import TYPE_CHECKING

from django.utils import timezone

from contractor.trade.phases import PHASE_TABLE
from crews.models import Crew
from jobs.models import Job, Phase
from jobs.selectors import job_progress
from jobs.selectors.crew_load import (
    CrewBooking,
    CrewDays,
    active_crews,
    crew_bookings,
    days_of_crews,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


@dataclass(slots=True)
class Work:
    """A part of the backlog. `crew_days` is None when no active crew could do the work."""

    jobs: int = 0
    labor_hours: float = 0.0
    crew_days: float | None = 0.0
    not_earned_usd: Decimal = field(default=Decimal("0.00"))

    def add(self, other: Work) -> None:
        """Add another part to this one."""
        self.jobs += other.jobs
        self.labor_hours += other.labor_hours
        self.not_earned_usd += other.not_earned_usd
        neither = self.crew_days is None or other.crew_days is None
        self.crew_days = None if neither else (self.crew_days or 0) + (other.crew_days or 0)


@dataclass(frozen=True, slots=True)
class CrewAhead:
    """What the published plan has ahead for one crew; weeks are None without any work day."""

    crew: Crew
    crew_days: float
    work_days_a_week: float
    weeks: float | None
    comes_free_on: date | None


@dataclass(frozen=True, slots=True)
class Backlog:
    """All signed work that is left; crew-days by crew and unbooked ones make the total."""

    total: Work
    unbooked_crew_days: float | None
    weeks: float | None
    by_use: dict[str, Work]
    by_foundation: dict[str, Work]
    by_crew: tuple[CrewAhead, ...]


def backlog(*, now: datetime) -> Backlog:
    """Return the backlog at `now`, in a constant number of queries."""
    crews = days_of_crews(active_crews(), since=timezone.localdate(now))
    bookings = crew_bookings(since=now)
    open_jobs = list(job_progress.open_jobs())
    left = _Left(crews, bookings, timezone.localdate(now))
    by_job = {job.pk: left.of_job(job) for job in open_jobs}
    ahead = _crews_ahead(crews, bookings, left, now=now)
    total = _sum(by_job.values())
    work_days = sum(row.work_days_a_week for row in ahead)
    return Backlog(
        total=total,
        unbooked_crew_days=None if left.is_undoable else left.unbooked_crew_days,
        weeks=total.crew_days / work_days if work_days and total.crew_days is not None else None,
        by_use=_grouped([(job.use, by_job[job.pk]) for job in open_jobs]),
        by_foundation=_grouped([(job.foundation, by_job[job.pk]) for job in open_jobs]),
        by_crew=ahead,
    )


class _Left:
    """
    How many crew-days are left of each phase.

    Labor hours left ÷ (people that help × pace × hours of a day at that site): of the crew that
    is booked, with the people it is on the days booked from today on, else the mean of the crews
    that may do it at their size. The same rule as in planning.
    """

    def __init__(
        self, crews: Sequence[CrewDays], bookings: Iterable[CrewBooking], today: date
    ) -> None:
        self.today = today
        self.crews = {days.crew.pk: days for days in crews}
        self.booked = {booking.phase_id: booking for booking in bookings}
        self.of_crew: Counter[int] = Counter()  # crew-days by crew
        self.unbooked_crew_days = 0.0
        self.is_undoable = False

    def of_job(self, job: Job) -> Work:
        """Return what is left of a job; phases must be loaded."""
        crew_days: float | None = 0.0
        for phase in job.phases.all():
            if phase.code not in job_progress.CREW_PHASES:
                continue
            days = self._of_phase(job, phase)
            crew_days = None if crew_days is None or days is None else crew_days + days
        return Work(
            jobs=1,
            labor_hours=job_progress.hours_left(job),
            crew_days=crew_days,
            not_earned_usd=job_progress.value_not_earned_usd(job),
        )

    def _of_phase(self, job: Job, phase: Phase) -> float | None:
        hours = job_progress.phase_hours_left(phase)
        if not hours:
            return 0.0
        booking = self.booked.get(phase.pk)
        crew = self.crews.get((booking and booking.crew_id) or phase.crew_id or 0)
        if crew:
            people = self._people(crew, booking, phase) if booking else crew.crew.size
            days = hours / _labor_hours_a_day(crew, people, phase, job)
            self.of_crew[crew.crew.pk] += days  # type: ignore[assignment]
            return days
        able = [days for days in self.crews.values() if _may_do(days.crew, phase)]
        if not able:
            self.is_undoable = True
            return None
        a_day = [_labor_hours_a_day(days, days.crew.size, phase, job) for days in able]
        mean = sum(a_day) / len(able)
        self.unbooked_crew_days += hours / mean
        return hours / mean

    def _people(self, crew: CrewDays, booking: CrewBooking, phase: Phase) -> int:
        begins = max(timezone.localdate(booking.starts_at), self.today)
        last = timezone.localdate(booking.ends_at)
        return crew.people_between(begins, last, at_least=PHASE_TABLE[phase.code].min_people)


def _may_do(crew: Crew, phase: Phase) -> bool:
    kind = PHASE_TABLE[phase.code]
    return kind.skills <= set(crew.skills) and crew.size >= kind.min_people


def _labor_hours_a_day(days: CrewDays, people: int, phase: Phase, job: Job) -> float:
    helping = min(people, PHASE_TABLE[phase.code].max_people)
    return helping * days.crew.pace * days.site_hours(job.drive_minutes)


def _crews_ahead(
    crews: Sequence[CrewDays], bookings: Sequence[CrewBooking], left: _Left, *, now: datetime
) -> tuple[CrewAhead, ...]:
    mine: defaultdict[int | None, list[CrewBooking]] = defaultdict(list)
    for booking in bookings:
        mine[booking.crew_id].append(booking)
    rows = []
    for days in crews:
        crew_days = float(left.of_crew[days.crew.pk])
        a_week = days.work_days_a_week(timezone.localdate(now))
        rows.append(
            CrewAhead(
                crew=days.crew,
                crew_days=crew_days,
                work_days_a_week=a_week,
                weeks=crew_days / a_week if a_week else None,
                comes_free_on=days.comes_free_on(mine[days.crew.pk], now),
            )
        )
    return tuple(rows)


def _grouped(rows: Iterable[tuple[str, Work]]) -> dict[str, Work]:
    parts: dict[str, list[Work]] = {}
    for name, work in rows:
        parts.setdefault(name, []).append(work)
    return {name: _sum(parts[name]) for name in sorted(parts)}


def _sum(parts: Iterable[Work]) -> Work:
    total = Work()
    for part in parts:
        total.add(part)
    return total
