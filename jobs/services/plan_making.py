"""Make plans of all open work: gather, solve, check, store."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING, Protocol

from django.db import transaction

from contractor.engine import planner
from contractor.engine.check import check
from contractor.engine.objective import objective
from contractor.engine.planner import PlanResult
from contractor.engine.stops import AnyStop, CancelStop, SecondsStop
from contractor.engine.worktime import HorizonExceeded
from contractor.trade.errors import SpecError
from crews.services import ensure_public_holidays
from jobs.models import Booking, Plan, PlannedWait
from jobs.selectors.buildings import building_of, rates
from jobs.selectors.clock import database_now
from jobs.selectors.networks import network_of
from jobs.selectors.open_work import OpenWork, open_work
from jobs.selectors.open_work import with_crews_anew as crews_anew
from jobs.services.intake import refresh_phases
from jobs.services.plan_around import Place, as_if_told, repair_around
from jobs.services.plan_basis import FIRST_HORIZON_DAYS as FIRST_HORIZON_DAYS
from jobs.services.plan_basis import LAST_HORIZON_DAYS as LAST_HORIZON_DAYS
from jobs.services.plan_basis import Basis, horizons
from jobs.services.plan_rows import PlanRows
from jobs.services.portfolio import Portfolio, state_of

if TYPE_CHECKING:
    from contractor.engine.objective import Objective

HOLIDAY_YEARS = 3
# Walks of the search side by side, each in a thread of its own: more than two gain nothing.
WALKS = min(2, os.cpu_count() or 1)


class Progress(Protocol):
    """Told how far planning is, and what the best plan so far costs once there is one."""

    def __call__(self, percent: int, text: str, total: float | None = None) -> None: ...


class PlanUnsoundError(Exception):
    """The engine made a plan that its independent check refuses: a defect, nothing is stored."""


class TooFarAheadError(Exception):
    """The open work reaches further than any axis tried; the text says how far that is."""


class WorkHasChanged(Exception):  # noqa: N818 - a signal to the caller, who plans afresh
    """The open work is no longer what a plan was made from, so costs cannot be compared."""


@dataclass(slots=True)
class _FirstTotal:
    """Stops nothing, but keeps the first total that a search is asked about: the first plan's."""

    total: float | None = field(default=None, init=False)

    def __call__(self, iterations: int, best: float) -> bool:
        if self.total is None:
            self.total = best
        return False

    def used(self, iterations: int) -> float:
        return 0.0


@dataclass(frozen=True)
class Proposal:
    """
    A plan that has passed the check and is not stored yet.

    `gained` is by how much it costs less than the first plan; None where nothing was improved.
    `keeps_places` says that it was made as if other places had been told, and its result is priced
    so. What only a stored plan needs is found when it is asked for: many are only looked at.
    """

    portfolio: Portfolio
    result: PlanResult
    seed: int
    gained: float | None = None
    keeps_places: bool = False

    @cached_property
    def state(self) -> str:
        """Return what names the work that it is made of."""
        return state_of(self.portfolio.problem)

    @cached_property
    def cost(self) -> Objective:
        """Return what it costs in truth, by what people were told."""
        if self.keeps_places:
            return objective(self.portfolio.problem, self.result.schedule)
        return self.result.objective

    @property
    def total(self) -> float:
        """Return what it costs."""
        return self.cost.total


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
    proposal = propose(now=now, budget_seconds=budget_seconds, seed=seed, progress=tell)
    tell(95, "Storing the draft")
    return store(proposal)


def propose(
    *,
    now: datetime,
    budget_seconds: float,
    seed: int = 1,
    progress: Progress | None = None,
    cancelled: Callable[[], bool] | None = None,
    state: str = "",
) -> Proposal:
    """
    Return a checked plan of all open work at `now`, without storing it. Raises as `plan_now`.

    Raises
    ------
    WorkHasChanged
        If a `state` is given and the open work is another by now.
    """
    tell = progress or _tell_nobody
    tell(2, "Reading the open work")
    basis = read(now=now)
    tell(10, f"Planning {len(basis.work.jobs)} jobs")
    first = _FirstTotal()

    def improve(portfolio: Portfolio) -> PlanResult:
        within = SecondsStop(budget_seconds)
        asked = (CancelStop(cancelled),) if cancelled else ()
        stop = AnyStop((first, within, *asked))

        def on_progress(iterations: int, total: float) -> None:
            percent = 15 + round(70 * stop.used(iterations))
            tell(percent, f"Improving, {iterations:,} plans tried", total)

        return planner.plan(
            portfolio.problem,
            stop=stop if budget_seconds > 0 else None,
            seed=seed,
            progress=on_progress,
            workers=WALKS,
        )

    portfolio, result = _solved(basis, improve, state=state)
    tell(90, "Checking every rule")
    gained = None if first.total is None else max(0.0, first.total - result.objective.total)
    return _checked(portfolio, result, seed=seed, gained=gained)


def repair(
    *,
    now: datetime,
    forward: frozenset[int] = frozenset(),
    keep: Mapping[int, Place] | None = None,
) -> Proposal:
    """
    Return a checked plan that keeps what people were told wherever it can be kept.

    What follows work that is done early moves forward; inside the freeze only that of the jobs
    `forward`, by primary key. With places to `keep`, by phase, work that nobody was told of, or
    beyond the freeze, stays there as far as it can, and all else where it was told, even where that
    sends what must move to the end of the season; the mapping may be empty. Raises as `plan_now`.
    It takes a fraction of a second, so a page can wait for it.
    """
    return repaired(Basis(replace(_work(now), forward=forward)), keep=keep)


def repaired(
    basis: Basis, *, keep: Mapping[int, Place] | None = None, may_push: bool = False
) -> Proposal:
    """
    Return the same of open work that is read already. Raises as `plan_now`, but NoFirm.

    `may_push` as in `repair_around`; without `keep` it is always so.
    """
    if keep is not None:
        try:
            kept = _solved(
                basis, lambda portfolio: repair_around(portfolio, keep, may_push=may_push)
            )
            return _checked(*kept, seed=1, keeps_places=True)
        except PlanUnsoundError:
            pass  # the places are too old to keep: nothing explains any more why work is there
    run = planner.keep if keep is None else planner.repair
    portfolio, result = _solved(basis, lambda portfolio: run(portfolio.problem))
    return _checked(portfolio, result, seed=1)


def landings(basis: Basis, *, keep: Mapping[int, Place]) -> dict[int, Place]:
    """
    Return where phases land that are to be at other places than people were told, by phase.

    As `repaired` with these places, but none is held by the freeze. Raises as `repaired`.
    """
    found: dict[int, Place] = {}

    def run(portfolio: Portfolio) -> PlanResult:
        result = planner.repair(as_if_told(portfolio, keep, frozen_too=True))
        for span in PlanRows(portfolio, result.schedule).spans():
            found[span.phase.pk] = (span.crew_id, span.starts_at)
        return result

    _solved(basis, run)
    return found


def read(*, now: datetime) -> Basis:
    """Return what plans are made of as it stands at `now`."""
    return Basis(_work(now))


def with_crews_anew(basis: Basis) -> Basis:
    """Return the same with all of crews and machines read again."""
    return Basis(crews_anew(basis.work))


def gather(*, now: datetime) -> OpenWork:
    """Return the open work at `now` with every job's phases, and all that was told as it was."""
    return replace(_work(now), begun={})


def pushed(work: OpenWork) -> tuple[Portfolio, PlanResult]:
    """
    Return the plan of some open work that keeps what people were told wherever it can be kept.

    Raises TooFarAheadError. It is not checked, as it is only to be compared with another.
    """
    return _solved(Basis(work), lambda portfolio: planner.keep(portfolio.problem))


def kept_in_place(work: OpenWork) -> tuple[Portfolio, PlanResult]:
    """
    Return the plan of some open work in which each stays where it was told unless it must move.

    Whatever that costs the one that must. Raises TooFarAheadError. It is not checked.
    """
    return _solved(Basis(work), lambda portfolio: planner.repair(portfolio.problem))


@transaction.atomic
def store(proposal: Proposal, *, gained: float | None = None) -> Plan:
    """
    Write a proposal as the draft; the draft before it is replaced.

    `gained` is by how much it costs less than the draft it improves on, where it does.
    """
    portfolio, result = proposal.portfolio, proposal.result
    Plan.objects.filter(status=Plan.Status.DRAFT).update(status=Plan.Status.REPLACED)
    rows = PlanRows(portfolio, result.schedule)
    draft = Plan.objects.create(
        as_of=portfolio.work.now,
        made_at=database_now(),
        source=result.source,
        seconds=round(result.seconds, 3),
        seed=proposal.seed,
        objective={
            **asdict(proposal.cost),
            "bound": None if result.bound is None else asdict(result.bound),
            "optimal": result.optimal,
            "iterations": result.iterations,
            "could_begin": rows.could_begin(),
        },
        unplanned=rows.unplanned(),
        state=proposal.state,
        gained=proposal.gained if gained is None else gained,
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


def _solved(
    basis: Basis, run: Callable[[Portfolio], PlanResult], *, state: str = ""
) -> tuple[Portfolio, PlanResult]:
    """Run the engine on an axis that is long enough; first on the one of `state`, if given."""
    for horizon_days in horizons(int(state.partition(":")[0]) if state else FIRST_HORIZON_DAYS):
        try:
            portfolio = basis.portfolio(horizon_days)
            if state and state_of(portfolio.problem) != state:
                raise WorkHasChanged
            return portfolio, run(portfolio)
        except HorizonExceeded:
            state = ""
    raise TooFarAheadError(
        f"The open work reaches further than {LAST_HORIZON_DAYS} days ahead. "
        "Look for a date typed wrong, for a crew without working days, or for more work "
        "than the crews can do in that time."
    )


def _checked(
    portfolio: Portfolio,
    result: PlanResult,
    *,
    seed: int,
    gained: float | None = None,
    keeps_places: bool = False,
) -> Proposal:
    violations = check(portfolio.problem, result.schedule)
    if violations:
        raise PlanUnsoundError("; ".join(violation.text for violation in violations[:5]))
    return Proposal(portfolio, result, seed, gained, keeps_places)


def _work(now: datetime) -> OpenWork:
    """Return the open work after bringing jobs in step whose phases no longer fit."""
    ensure_public_holidays(years=range(now.year, now.year + HOLIDAY_YEARS))
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


def _tell_nobody(percent: int, text: str, total: float | None = None) -> None:
    """Planning without anyone watching."""
