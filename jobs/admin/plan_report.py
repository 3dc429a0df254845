"""One plan as a report: what it costs, what it moves, which promises it keeps, who is where."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.utils import timezone

from contractor.engine.compare import Comparison, Move
from jobs.admin.words import count, day, span
from jobs.models import Booking, Plan
from jobs.selectors import plans

# How the planner words a phase that has no dates only because its predecessor has none.
FOLLOWS_UNPLANNED = "waits for "
LOOK_AHEAD = timedelta(weeks=3)
PARTS = {
    "late_jobs": "Jobs later than promised",
    "late_weighted_days": "Days late, each times its weight",
    "moved_days": "Days by which told dates move, weighted",
    "frozen_moves": "Moves of bookings that are close at hand",
    "crew_changes": "Phases that change crew",
    "extra_crews": "Crews beyond one on a job",
    "broken_pins": "Pins that could not be kept",
    "unplanned": "Phases without dates",
    "visits": "Visits of crews to sites",
    "overlong_days": "Days that open holes, bare posts or trusses wait too long",
    "open_days": "Days that sites stand open, all jobs together",
    "finish_days": "Days to the finish, all jobs together",
    "total": "Total cost",
}


@dataclass(frozen=True, slots=True)
class MoveRow:
    """A phase that moves: from and to, and whether the crew changes."""

    what: str
    before: str
    after: str
    days: str
    crews: str


@dataclass(frozen=True, slots=True)
class PromiseRow:
    """A job's promise in this plan and in the published one."""

    row: plans.Promise
    standing: str
    before: str
    change: str


@dataclass(slots=True)
class NoDates:
    """A job's phase without dates and why, with how many phases only wait for it."""

    job: str
    label: str
    reason: str
    following: int = 0


@dataclass(frozen=True, slots=True)
class SoonerRow:
    """A phase that stays as told though it could begin sooner, and why it could."""

    job_id: int
    job: str
    label: str
    told: str
    could: str
    why: str


@dataclass(frozen=True, slots=True)
class Report:
    """Everything the plan's page shows."""

    parts: list[tuple[str, Any]]
    search: list[tuple[str, str]]
    without_dates: list[NoDates]
    against: Plan | None
    comparison: Comparison
    moves: list[MoveRow]
    added: list[tuple[str, str]]
    removed: list[tuple[str, str]]
    promises: list[PromiseRow]
    saved: int
    lost: int
    crews: list[tuple[str, list[tuple[Booking, str]]]]
    look_ahead_from: datetime
    look_ahead_until: datetime


def report_of(plan: Plan, *, now: datetime) -> Report:
    """Return a plan's report; a plan that is not published is compared with the published one."""
    published = plans.published_plan()
    against = published if published and published.pk != plan.pk else None
    comparison = plans.comparison(plan, against)
    promises = _promises(plan, against)
    begins = max(now, plan.as_of) if plan.status == Plan.Status.DRAFT else now
    return Report(
        parts=[(PARTS[name], value) for name, value in parts_of(plan).items()],
        search=search_of(plan),
        without_dates=_without_dates(plan),
        against=against,
        comparison=comparison,
        moves=[move_row(move) for move in comparison.moved],
        added=[(row.key, span(row.start, row.finish)) for row in comparison.added]
        if against
        else [],
        removed=[(row.key, span(row.start, row.finish)) for row in comparison.removed],
        promises=promises,
        saved=sum(row.change == "kept again" for row in promises),
        lost=sum(row.change == "lost" for row in promises),
        crews=_look_ahead(plan, begins),
        look_ahead_from=begins,
        look_ahead_until=begins + LOOK_AHEAD,
    )


def could_begin(plan: Plan) -> list[SoonerRow]:
    """Return what a draft keeps inside the freeze though an early finish lets it begin sooner."""
    if plan.status != Plan.Status.DRAFT:
        return []
    return [
        SoonerRow(
            row["job_id"],
            row["job"],
            row["label"],
            _moment(datetime.fromisoformat(row["starts_at"])),
            _moment(datetime.fromisoformat(row["could_start_at"])),
            row["why"],
        )
        for row in plan.objective.get("could_begin", ())
    ]


def _moment(moment: datetime) -> str:
    return f"{day(moment)}, {timezone.localtime(moment):%H:%M}"


def parts_of(plan: Plan) -> dict[str, Any]:
    """Return the parts of a plan's cost in the order of importance, rounded for people."""
    return {name: round(plan.objective[name], 1) for name in PARTS if name in plan.objective}


def search_of(plan: Plan) -> list[tuple[str, str]]:
    """Return how a plan was found and what is known of how good it is, in words."""
    return [
        ("Found by", plan.source),
        ("Plans tried", f"{plan.objective.get('iterations', 0):,}"),
        ("Time it took", f"{plan.seconds:.1f} s"),
        ("Cost gained by improving", "–" if plan.gained is None else f"{plan.gained:,.1f}"),
        ("How good it is", plans.bound_words(plan)),
    ]


def first_reasons(plan: Plan | None) -> dict[str, str]:
    """Return by job number why a plan has no dates for its first phase without any."""
    rows = _without_dates(plan) if plan else []
    return {row.job: row.reason for row in reversed(rows)}


def _without_dates(plan: Plan) -> list[NoDates]:
    """Return what could not be planned by cause: phases that wait for another are counted to it."""
    rows: list[NoDates] = []
    for entry in plan.unplanned:
        same_job = bool(rows) and rows[-1].job == entry["job"]
        if same_job and entry["reason"].startswith(FOLLOWS_UNPLANNED):
            rows[-1].following += 1
        else:
            rows.append(NoDates(entry["job"], entry["label"], entry["reason"]))
    return rows


def move_row(move: Move) -> MoveRow:
    """Return a move in words."""
    if move.days == 0:
        days = "same day"
    else:
        days = f"{count(abs(move.days), 'day')} {'later' if move.days > 0 else 'earlier'}"
    crews = f"{move.old_crew or 'no crew'} → {move.new_crew or 'no crew'}"
    return MoveRow(
        what=move.key,
        before=span(move.old_start, move.old_finish),
        after=span(move.new_start, move.new_finish),
        days=days,
        crews=crews if move.crew_changed else move.new_crew,
    )


def _promises(plan: Plan, against: Plan | None) -> list[PromiseRow]:
    before = {row.job.pk: row for row in plans.promises(against)} if against else {}
    return [
        _promise_row(row, before.get(row.job.pk)) for row in plans.promises(plan) if row.promised_on
    ]


def _promise_row(row: plans.Promise, before: plans.Promise | None) -> PromiseRow:
    change = ""
    if before and before.days_late and not row.days_late:
        change = "kept again"
    elif before and row.days_late and not before.days_late:
        change = "lost"
    elif before and row.days_late != before.days_late:
        change = "later" if row.days_late > before.days_late else "sooner"
    return PromiseRow(row, _standing(row), _standing(before) if before else "–", change)


def _standing(row: plans.Promise) -> str:
    return f"{count(row.days_late, 'day')} late" if row.days_late else "kept"


def _look_ahead(plan: Plan, begins: datetime) -> list[tuple[str, list[tuple[Booking, str]]]]:
    """Return the bookings of the next three weeks by crew, crews by name, others last."""
    until = begins + LOOK_AHEAD
    by_crew: dict[str, list[tuple[Booking, str]]] = {}
    for booking in plans.bookings(plan).filter(ends_at__gt=begins, starts_at__lt=until):
        name = booking.crew.name if booking.crew else ""
        words = span(timezone.localtime(booking.starts_at), booking.ends_at)
        by_crew.setdefault(name, []).append((booking, words))
    ours = [(name, rows) for name, rows in sorted(by_crew.items()) if name]
    others = by_crew.get("")
    return [*ours, ("Inspectors and outside trades", others)] if others else ours
