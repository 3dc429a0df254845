"""Plan all open work: gather, solve, check, store. And the requests that ask for it."""

from __future__ import annotations

import logging
import time
from dataclasses import asdict
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Protocol

from django.db import transaction
from django.utils import timezone

from contractor.engine.check import check
from contractor.engine.improve import SecondsStop
from contractor.engine.planner import PlanResult, plan
from contractor.engine.worktime import HorizonExceeded
from contractor.trade.errors import SpecError
from crews.services import ensure_public_holidays
from jobs.models import Booking, Plan, PlannedWait, PlanRequest
from jobs.selectors.buildings import building_of, rates
from jobs.selectors.open_work import OpenWork, open_work
from jobs.services.intake import refresh_phases
from jobs.services.plan_rows import PlanRows
from jobs.services.portfolio import Portfolio, build_portfolio, network_of

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from django.contrib.auth.models import User

logger = logging.getLogger(__name__)

# A year and a season; doubled while the work does not fit.
FIRST_HORIZON_DAYS = 450
LAST_HORIZON_DAYS = FIRST_HORIZON_DAYS * 2**3
STALE_AFTER = timedelta(minutes=10)  # above the task time limit of 5 minutes
HOLIDAY_YEARS = 3


class Progress(Protocol):
    """Told how far planning is."""

    def __call__(self, percent: int, text: str) -> None: ...


class PlanUnsoundError(Exception):
    """The engine made a plan that its independent check refuses: a defect, nothing is stored."""


class TooFarAheadError(Exception):
    """The open work reaches further than any axis tried; the text says how far that is."""


def plan_now(
    *,
    now: datetime,
    budget_seconds: float = 5.0,
    seed: int = 1,
    progress: Progress | None = None,
) -> Plan:
    """
    Return a new draft of all open work as it stands at `now`, stored whole or not at all.

    `budget_seconds` bounds the improvement that follows the first plan; 0 takes the first plan.

    Raises
    ------
    crews.selectors.NoFirm
        If no firm is entered.
    TooFarAheadError
        If the work does not end within about ten years.
    PlanUnsoundError
        If the check finds a broken rule.
    """
    tell = progress or _tell_nobody
    began = time.monotonic()
    tell(2, "Reading the open work")
    ensure_public_holidays(years=range(now.year, now.year + HOLIDAY_YEARS))
    work = _work_in_step(now)
    tell(10, f"Planning {len(work.jobs)} jobs")
    portfolio, result = solve(work, budget_seconds=budget_seconds, seed=seed, progress=tell)
    tell(90, "Checking every rule")
    violations = check(portfolio.problem, result.schedule)
    if violations:
        raise PlanUnsoundError("; ".join(violation.text for violation in violations[:5]))
    tell(95, "Storing the draft")
    return _store(portfolio, result, seed=seed, seconds=time.monotonic() - began)


def request_plan(
    *,
    reason: str,
    now: datetime,
    by: User | None = None,
    budget_seconds: float = 5.0,
) -> PlanRequest:
    """Return a stored wish for a plan; the door then enqueues it."""
    wanted = PlanRequest(
        reason=reason[:200], requested_by=by, requested_at=now, budget_seconds=budget_seconds
    )
    wanted.full_clean()
    wanted.save()
    return wanted


def claim(*, plan_request_id: int, now: datetime) -> bool:
    """Take the request if it is still free. One worker wins, all others get False."""
    won = PlanRequest.objects.filter(pk=plan_request_id, status=PlanRequest.Status.QUEUED).update(
        status=PlanRequest.Status.RUNNING, claimed_at=now
    )
    return won == 1


def run_request(*, plan_request_id: int, now: datetime) -> Plan:
    """
    Return the draft made for a claimed request, which also answers all that queued before it.

    Whatever is raised by planning goes through; `fail` or `release` then say what becomes of
    the request.
    """
    request = PlanRequest.objects.get(pk=plan_request_id)

    def show(percent: int, text: str) -> None:
        PlanRequest.objects.filter(pk=plan_request_id).update(
            progress_percent=percent, progress_text=text[:120]
        )

    draft = plan_now(now=now, budget_seconds=request.budget_seconds, progress=show)
    answered = PlanRequest.objects.filter(
        status=PlanRequest.Status.QUEUED, requested_at__lte=now
    ) | PlanRequest.objects.filter(pk=plan_request_id)
    answered.update(
        status=PlanRequest.Status.DONE,
        finished_at=timezone.now(),
        progress_percent=100,
        progress_text="Draft made",
        plan=draft,
        error="",
    )
    return draft


def release(*, plan_request_id: int) -> None:
    """Put a claimed request back, for a fault that passes by itself."""
    PlanRequest.objects.filter(pk=plan_request_id, status=PlanRequest.Status.RUNNING).update(
        status=PlanRequest.Status.QUEUED, claimed_at=None
    )


def fail(*, plan_request_id: int, error: str, now: datetime) -> None:
    """Park a request that cannot be answered; the office sees why and may try again."""
    PlanRequest.objects.filter(pk=plan_request_id).update(
        status=PlanRequest.Status.FAILED, finished_at=now, error=error[:300]
    )


def retry(*, plan_request_id: int, now: datetime) -> bool:
    """Queue a failed request again; return whether it was failed."""
    again = PlanRequest.objects.filter(pk=plan_request_id, status=PlanRequest.Status.FAILED).update(
        status=PlanRequest.Status.QUEUED,
        requested_at=now,
        claimed_at=None,
        finished_at=None,
        progress_percent=0,
        progress_text="",
        error="",
    )
    return again == 1


def free_stale_requests(*, now: datetime) -> list[int]:
    """Put back requests whose worker died; return all that wait too long."""
    stale = now - STALE_AFTER
    PlanRequest.objects.filter(status=PlanRequest.Status.RUNNING, claimed_at__lt=stale).update(
        status=PlanRequest.Status.QUEUED, claimed_at=None
    )
    return list(
        PlanRequest.objects.filter(
            status=PlanRequest.Status.QUEUED, requested_at__lt=now - timedelta(minutes=1)
        )
        .order_by("id")
        .values_list("pk", flat=True)
    )


def solve(
    work: OpenWork, *, budget_seconds: float, seed: int, progress: Progress | None = None
) -> tuple[Portfolio, PlanResult]:
    """
    Return the open work's problem and its plan, without storing anything.

    Raises
    ------
    TooFarAheadError
        If the work does not end within about ten years.
    """
    tell = progress or _tell_nobody
    zone = _zone()
    horizon_days = FIRST_HORIZON_DAYS
    while horizon_days <= LAST_HORIZON_DAYS:
        try:
            portfolio = build_portfolio(work=work, zone=zone, horizon_days=horizon_days)
            stop = SecondsStop(budget_seconds) if budget_seconds > 0 else None
            began = time.monotonic()

            def on_progress(iterations: int, total: float, since: float = began) -> None:
                share = min(1.0, (time.monotonic() - since) / max(budget_seconds, 0.001))
                tell(15 + round(70 * share), f"Improving, {iterations} plans tried")

            result = plan(portfolio.problem, stop=stop, seed=seed, progress=on_progress)
        except HorizonExceeded:
            horizon_days *= 2
        else:
            return portfolio, result
    raise TooFarAheadError(
        f"The open work reaches further than {LAST_HORIZON_DAYS} days ahead. "
        "Look for a date typed wrong, for a crew without working days, or for more work "
        "than the crews can do in that time."
    )


def _work_in_step(now: datetime) -> OpenWork:
    """Return the open work after bringing jobs in step whose phases no longer fit."""
    work = open_work(now=now)
    firm_rates = None
    for job in work.jobs:
        try:
            network = network_of(job, building_of(job))
        except SpecError:
            continue  # the plan lists it with the reason
        if {phase.code for phase in job.phases.all()} != set(network.phases):
            firm_rates = firm_rates or rates()
            refresh_phases(job=job, firm_rates=firm_rates)
    return work if firm_rates is None else open_work(now=now)


@transaction.atomic
def _store(portfolio: Portfolio, result: PlanResult, *, seed: int, seconds: float) -> Plan:
    """Write the draft; the draft before it is replaced."""
    Plan.objects.filter(status=Plan.Status.DRAFT).update(status=Plan.Status.REPLACED)
    rows = PlanRows(portfolio, result.schedule)
    draft = Plan.objects.create(
        as_of=portfolio.work.now,
        made_at=timezone.now(),
        source=result.source,
        seconds=round(seconds, 3),
        seed=seed,
        objective=_objective(result),
        unplanned=rows.unplanned(),
    )
    booked = rows.bookings(draft)
    Booking.objects.bulk_create([booking for booking, _ in booked])
    through = Booking.equipment.through
    through.objects.bulk_create(
        [
            through(booking=booking, equipment_id=machine)
            for booking, machines in booked
            for machine in machines
        ]
    )
    PlannedWait.objects.bulk_create(rows.waits(draft))
    return draft


def _objective(result: PlanResult) -> dict[str, object]:
    parts: dict[str, object] = asdict(result.objective)
    bound = None if result.bound is None else asdict(result.bound)
    return {**parts, "bound": bound, "optimal": result.optimal, "iterations": result.iterations}


def _zone() -> ZoneInfo:
    return timezone.get_default_timezone()


def _tell_nobody(percent: int, text: str) -> None:
    """Planning without anyone watching."""
