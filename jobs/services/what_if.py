"""What would be otherwise: the open work planned as it is and with one change; reads only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from django.utils import timezone

from contractor.engine.compare import Comparison, Row, compare
from contractor.engine.what_if import ORDER_KEPT, ORDER_OF_AS_IS, ORDER_OF_CHANGED, what_if
from contractor.engine.worktime import HorizonExceeded
from jobs.models import Booking, Job, Plan
from jobs.selectors import plans
from jobs.selectors.crew_load import CrewDays
from jobs.selectors.open_work import open_work
from jobs.services.plan_rows import PlanRows
from jobs.services.planning import FIRST_HORIZON_DAYS, LAST_HORIZON_DAYS, TooFarAheadError
from jobs.services.portfolio import Portfolio, build_portfolio

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date, datetime

    from contractor.engine.what_if import Answer as EngineAnswer
    from contractor.engine.what_if import Outcome
    from jobs.selectors.open_work import OpenWork
    from jobs.services.what_if_questions import Question

SOURCES = {
    ORDER_KEPT: "the order and crews of the plan at hand",
    ORDER_OF_AS_IS: "a new plan, its order found without the change",
    ORDER_OF_CHANGED: "a new plan, its order found with the change",
}


@dataclass(frozen=True, slots=True)
class JobChange:
    """A job's finish and days late as it is and as changed; None where it has no such date."""

    job: Job
    promised_on: date | None
    finish_before_on: date | None
    finish_after_on: date | None
    days_late_before: int
    days_late_after: int

    @property
    def promise(self) -> str:
        """Return "lost" or "kept again" where the promise changes sides."""
        if self.promised_on is None or (self.days_late_before > 0) == (self.days_late_after > 0):
            return ""
        return "lost" if self.days_late_after else "kept again"


@dataclass(frozen=True, slots=True)
class CrewChange:
    """A crew's booked days on site, of its own work days' length there."""

    crew: str
    days_before: float
    days_after: float


@dataclass(frozen=True, slots=True)
class Answer:
    """What one change does. `plan` is the plan at hand whose order was tried first, if any."""

    question: str
    plan: Plan | None
    found_before: str
    found_after: str
    jobs: tuple[JobChange, ...]
    crews: tuple[CrewChange, ...]
    bookings: Comparison
    without_dates_before: int
    without_dates_after: int

    @property
    def days_late_before(self) -> int:
        """Return the days late of all jobs as it is."""
        return sum(job.days_late_before for job in self.jobs)

    @property
    def days_late_after(self) -> int:
        """Return the days late of all jobs as changed; a dropped promise counts none."""
        return sum(job.days_late_after for job in self.jobs)


def ask(question: Question, *, now: datetime, plan: Plan | None = None) -> Answer:
    """
    Return what would be otherwise at `now`; nothing is stored.

    The open work is read once and planned twice in the same way. The order and crews of `plan`,
    or else of the published plan, are tried first.

    Raises
    ------
    WhatIfRefused
        If the question cannot be asked, with the field, its value and the remedy.
    crews.selectors.NoFirm
        If no firm is entered.
    TooFarAheadError
        If the work does not end within about ten years.
    """
    work = open_work(now=now)
    changed = question.change(work)
    at_hand = plan or plans.published_plan()
    booked = list(Booking.objects.filter(plan=at_hand)) if at_hand else []
    before, after, found = _planned(work, changed, {row.phase_id: row for row in booked})
    mine, theirs = _Side(before, found.as_is), _Side(after, found.changed)
    return Answer(
        question=question.words(),
        plan=at_hand,
        found_before=_source(found.as_is),
        found_after=_source(found.changed),
        jobs=tuple(_job_changes(mine, theirs)),
        crews=tuple(_crew_changes(mine, theirs)),
        bookings=compare(mine.rows(), theirs.rows()),
        without_dates_before=mine.without_dates,
        without_dates_after=theirs.without_dates,
    )


def _planned(
    work: OpenWork, changed: OpenWork, booked: dict[int, Booking]
) -> tuple[Portfolio, Portfolio, EngineAnswer]:
    """Return both portfolios on one axis, and their plans."""
    zone = ZoneInfo(timezone.get_default_timezone_name())
    horizon_days = FIRST_HORIZON_DAYS
    while horizon_days <= LAST_HORIZON_DAYS:
        try:
            before, after = (
                build_portfolio(work=one, zone=zone, horizon_days=horizon_days)
                for one in (work, changed)
            )
            order, crews = _order(before, booked)
            return before, after, what_if(before.problem, after.problem, order=order, crews=crews)
        except HorizonExceeded:
            horizon_days *= 2
    raise TooFarAheadError(
        f"The open work reaches further than {LAST_HORIZON_DAYS} days ahead. Ask with a nearer "
        "day, or look for a date typed wrong."
    )


def _order(portfolio: Portfolio, booked: dict[int, Booking]) -> tuple[list[int], dict[int, int]]:
    """Return the activities as the plan at hand starts them, what it lacks last, and its crews."""
    index_of = {crew: index for index, crew in portfolio.crew_ids.items()}
    rows = {
        i: booked[stretch.first.pk]
        for i, stretch in enumerate(portfolio.stretches)
        if stretch.first.pk in booked
    }
    others = sorted(set(range(len(portfolio.stretches))).difference(rows))
    crews = {i: index_of[row.crew_id] for i, row in rows.items() if row.crew_id in index_of}
    return [*sorted(rows, key=lambda i: (rows[i].starts_at, i)), *others], crews


class _Side:
    """One of the two plans, as rows that people read."""

    def __init__(self, portfolio: Portfolio, outcome: Outcome) -> None:
        self.work = portfolio.work
        rows = PlanRows(portfolio, outcome.schedule)
        self.bookings = [booking for booking, _ in rows.bookings(Plan())]
        unplanned = rows.unplanned()
        self.without_dates = len(unplanned)
        self.unfinished = {entry["job"] for entry in unplanned}
        self.crews = {crew.pk: crew for crew in portfolio.work.crews}

    def rows(self) -> list[Row]:
        """Return the bookings as the comparison of plans reads them."""
        return [
            Row(
                key=f"{row.phase.job.number} {row.phase.get_code_display()}",
                job=row.phase.job.number,
                crew="" if row.crew_id is None else self.crews[row.crew_id].name,
                start=timezone.localtime(row.starts_at),
                finish=timezone.localtime(row.ends_at),
            )
            for row in self.bookings
        ]

    def finishes(self) -> dict[int, date]:
        """Return the day on which each job ends that has dates for all its phases."""
        ends: dict[int, datetime] = {}
        for row in self.bookings:
            if row.phase.job.number not in self.unfinished:
                job = row.phase.job_id
                ends[job] = max(ends.get(job, row.ends_at), row.ends_at)
        return {job: timezone.localdate(end) for job, end in ends.items()}

    def crew_days(self) -> dict[int, float]:
        """Return each crew's days of work: its booked hours by the length of its day there."""
        days_of = {pk: CrewDays(crew, firm_off=frozenset()) for pk, crew in self.crews.items()}
        total = dict.fromkeys(self.crews, 0.0)
        for row in self.bookings:
            if row.crew_id is not None:
                a_day = days_of[row.crew_id].site_hours(row.phase.job.drive_minutes)
                total[row.crew_id] += row.work_hours / a_day
        return total


def _job_changes(before: _Side, after: _Side) -> Iterator[JobChange]:
    """Yield every open job, those first whose days late change most, then by number."""
    finish_before, finish_after = before.finishes(), after.finishes()
    rows = []
    for old, new in zip(before.work.jobs, after.work.jobs, strict=True):
        first, second = finish_before.get(old.pk), finish_after.get(old.pk)
        rows.append(
            JobChange(
                job=old,
                promised_on=new.promised_on,
                finish_before_on=first,
                finish_after_on=second,
                days_late_before=_late(old.promised_on, first),
                days_late_after=_late(new.promised_on, second),
            )
        )
    yield from sorted(
        rows, key=lambda r: (-abs(r.days_late_after - r.days_late_before), r.job.number)
    )


def _crew_changes(before: _Side, after: _Side) -> Iterator[CrewChange]:
    old, new = before.crew_days(), after.crew_days()
    for crew in sorted(before.work.crews, key=lambda crew: crew.name):
        yield CrewChange(crew.name, old[crew.pk], new[crew.pk])


def _late(promised_on: date | None, finish_on: date | None) -> int:
    if promised_on is None or finish_on is None:
        return 0
    return max(0, (finish_on - promised_on).days)


def _source(outcome: Outcome) -> str:
    return SOURCES.get(outcome.source, f"a new plan by {outcome.source}")
