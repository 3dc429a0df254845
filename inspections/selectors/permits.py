"""Where each permit stands, and what must be done before it lapses."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from django.db.models import Max, Min, OuterRef, Q, Subquery
from django.utils import timezone

from contractor.trade.permit_rules import lapses_on
from contractor.trade.phases import INSPECTIONS
from inspections.models import Permit
from inspections.selectors.visits import PASSED, Status
from jobs.models import Job, Phase

if TYPE_CHECKING:
    from django.db.models import QuerySet

# Time for a visit, or for asking the authority for more; our own choice.
WARN_DAYS_AHEAD = 30


@dataclass(frozen=True, slots=True)
class PermitState:
    """
    Where a permit stands in words, and whether somebody must act on it.

    `lapses_on` is None while it is not issued. `counted_from` says what that day counts from.
    """

    permit: Permit
    words: str
    is_urgent: bool
    lapses_on: date | None = None
    counted_from: str = ""


def permit_states(*, now: datetime, job: Job | None = None) -> list[PermitState]:
    """Return the state of the permits of signed jobs, or of one job, in one query."""
    today = timezone.localdate(now)
    rows = _with_signs_of_life(Permit.objects.filter(is_exempt=False))
    rows = rows.filter(job__status=Job.Status.SIGNED) if job is None else rows.filter(job=job)
    return [_state(permit, today) for permit in rows.order_by("job__number")]


def permits_to_act_on(*, now: datetime) -> list[PermitState]:
    """Return the permits of signed jobs that somebody must act on, the nearest lapse first."""
    urgent = [state for state in permit_states(now=now) if state.is_urgent]
    return sorted(urgent, key=lambda state: (state.lapses_on or date.min, state.permit.pk))


def _with_signs_of_life(permits: QuerySet[Permit]) -> QuerySet[Permit]:
    """Return permits with when work began and when an inspection was last approved."""
    of_job = Phase.objects.filter(job=OuterRef("job")).order_by()
    begun = of_job.values("job").annotate(at=Min("started_at")).values("at")
    passed = Q(inspections__status__in=(*PASSED, Status.PARTIAL))
    approved = (
        of_job.filter(code__in=INSPECTIONS)
        .values("job")
        .annotate(
            done_at=Max("done_at"),
            made_at=Max("inspections__decided_at", filter=passed),
        )
    )
    return permits.select_related("job", "authority").annotate(
        begun_at=Subquery(begun),
        inspection_done_at=Subquery(approved.values("done_at")),
        inspection_made_at=Subquery(approved.values("made_at")),
    )


def _state(permit: Permit, today: date) -> PermitState:
    if permit.issued_on:
        return _issued(permit, permit.issued_on, today)
    if permit.applied_on:
        return _applied(permit, permit.applied_on, today)
    drawings = permit.drawings_received_on
    if drawings is None:
        return PermitState(permit, "not applied for; the sealed drawings are not here", True)
    return PermitState(permit, f"not applied for; drawings here since {_day(drawings)}", True)


def _applied(permit: Permit, applied_on: date, today: date) -> PermitState:
    words = f"applied for {_day(applied_on)}"
    if permit.expected_on is None:
        return PermitState(permit, f"{words}; nobody has said when it is expected", True)
    if permit.expected_on < today:
        return PermitState(permit, f"{words}; was expected {_day(permit.expected_on)}: ask", True)
    return PermitState(permit, f"{words}; expected {_day(permit.expected_on)}", False)


def _issued(permit: Permit, issued_on: date, today: date) -> PermitState:
    signs = [
        (timezone.localdate(moment), words)
        for name, words in (
            ("begun_at", "the start"),
            ("inspection_done_at", "the last approved inspection"),
            ("inspection_made_at", "the last approved inspection"),
        )
        if (moment := getattr(permit, name))
    ]
    counted_on, counted_from = max([(issued_on, "its issue"), *signs])
    day = lapses_on(
        issued_on=issued_on,
        signs_of_life=[on for on, _ in signs],
        lapse_days=permit.authority.lapse_days,
    )
    since = f"{permit.authority.lapse_days} days from {counted_from}, {_day(counted_on)}"
    if day < today:
        words = f"lapsed {_day(day)}, {since}: ask the authority before any more work"
    else:
        words = f"lapses {_day(day)}, {since}"
    is_urgent = day <= today + timedelta(days=WARN_DAYS_AHEAD)
    return PermitState(permit, words, is_urgent, day, counted_from)


def _day(day: date) -> str:
    return f"{day:%b %-d, %Y}"
