"""Ask for plans, answer what was asked, and plan again at once after a small change."""

from __future__ import annotations

import time
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from django.db import transaction
from django.utils import timezone

from jobs.models import Plan, PlanRequest
from jobs.services.plan_making import (
    FIRST_HORIZON_DAYS,
    LAST_HORIZON_DAYS,
    PlanUnsoundError,
    Progress,
    Proposal,
    TooFarAheadError,
    WorkHasChanged,
    plan_now,
    propose,
    repair,
    store,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from django.contrib.auth.models import User

__all__ = [
    "FIRST_HORIZON_DAYS",
    "LAST_HORIZON_DAYS",
    "PlanUnsoundError",
    "Progress",
    "Proposal",
    "RequestEnded",
    "TooFarAheadError",
    "adopt",
    "answer_by_repair",
    "cancel",
    "claim",
    "end_cancelled",
    "fail",
    "free_stale_requests",
    "plan_now",
    "release",
    "repair",
    "repair_now",
    "request_plan",
    "retry",
    "run_request",
]

Status = PlanRequest.Status

STALE_AFTER = timedelta(minutes=10)  # above the task time limit of 5 minutes
# How often a running plan writes down how far it is, and looks whether it is still wanted.
LOOK_EVERY_SECONDS = 0.5
# Below this two costs are the same: the sums of one plan differ by rounding only.
LEAST_GAIN = 1e-6


class RequestEnded(Exception):  # noqa: N818 - a signal to the caller, nothing went wrong
    """The request was cancelled, or another worker answered it; nothing was stored."""


def request_plan(
    *,
    reason: str,
    now: datetime,
    by: User | None = None,
    budget_seconds: float = 5.0,
    base: Plan | None = None,
) -> PlanRequest:
    """
    Return a stored wish for a plan; the door then enqueues it.

    With a draft as `base` it is a wish for a better plan of the same state of things.
    """
    wanted = PlanRequest(
        reason=reason[:200],
        requested_by=by,
        requested_at=now,
        budget_seconds=budget_seconds,
        base=base,
    )
    wanted.full_clean()
    wanted.save()
    return wanted


def repair_now(
    *, reason: str, now: datetime, by: User | None = None, budget_seconds: float = 5.0
) -> PlanRequest:
    """
    Make a draft at once that keeps what people were told, and return the wish for a better one.

    Raises as `plan_now`; nothing is stored then.
    """
    return adopt(repair(now=now), reason=reason, now=now, by=by, budget_seconds=budget_seconds)


@transaction.atomic
def adopt(
    proposal: Proposal,
    *,
    reason: str,
    now: datetime,
    by: User | None = None,
    budget_seconds: float = 5.0,
) -> PlanRequest:
    """Store a proposal as the draft, and with it the wish for a better plan; return the wish."""
    draft = store(proposal)
    return request_plan(reason=reason, now=now, by=by, budget_seconds=budget_seconds, base=draft)


def claim(*, plan_request_id: int, now: datetime) -> bool:
    """Take the request if it is still free. One worker wins, all others get False."""
    won = PlanRequest.objects.filter(pk=plan_request_id, status=Status.QUEUED).update(
        status=Status.RUNNING, claimed_at=now
    )
    return won == 1


def run_request(*, plan_request_id: int, now: datetime) -> Plan:
    """
    Return the plan that answers a claimed request, and all that queued before its moment.

    A request with a base is answered by a better draft of the same open work, or by the base
    itself where none is found; if the work has changed since, by a new draft as of `now`.
    Whatever is raised by planning goes through; `fail` or `release` then say what becomes of
    the request.

    Raises
    ------
    RequestEnded
        If it was cancelled or answered by another meanwhile.
    """
    request = PlanRequest.objects.select_related("base").get(pk=plan_request_id)
    base = request.base
    if base is None:
        return _answer_afresh(request, now=now)
    if base.status != Plan.Status.DRAFT:
        return _answer(request, base, "A newer plan has taken its place")
    try:
        proposal = _propose(request, as_of=base.as_of, state=base.state)
    except WorkHasChanged:
        return _answer_afresh(request, now=now)
    return _answer_better(request, base, proposal)


def answer_by_repair(*, plan_request_id: int, now: datetime) -> PlanRequest:
    """
    Answer a claimed request, and all that queued before, by a draft that keeps what people know.

    Returns the wish for a better plan than that draft. Raises as `plan_now`, and RequestEnded.
    """
    request, waiting = PlanRequest.objects.get(pk=plan_request_id), _waiting()
    proposal = repair(now=now)
    with transaction.atomic():
        draft = store(proposal)
        _answer(request, draft, "Draft made by repair", waiting)
        by = request.requested_by
        return request_plan(reason=request.reason, now=now, by=by, base=draft)


def release(*, plan_request_id: int) -> None:
    """Put a claimed request back, for a fault that passes by itself."""
    PlanRequest.objects.filter(pk=plan_request_id, status=Status.RUNNING).update(
        status=Status.QUEUED, claimed_at=None
    )


def fail(*, plan_request_id: int, error: str, now: datetime) -> None:
    """Park a request that cannot be answered; the office sees why and may try again."""
    PlanRequest.objects.filter(pk=plan_request_id).update(
        status=Status.FAILED, finished_at=now, error=error[:300]
    )


def cancel(*, plan_request_id: int, now: datetime) -> bool:
    """
    End a request that is not answered yet, and return whether there was something to end.

    One that waits ends at once; one that is being planned ends as soon as its worker looks.
    """
    request = PlanRequest.objects.filter(pk=plan_request_id)
    ended = request.filter(status=Status.QUEUED).update(
        status=Status.CANCELLED, cancel_asked_at=now, finished_at=now, progress_text="Cancelled"
    )
    asked = request.filter(status=Status.RUNNING, cancel_asked_at=None).update(
        cancel_asked_at=now, progress_text="Being cancelled"
    )
    return ended + asked == 1


def end_cancelled(*, plan_request_id: int, now: datetime) -> None:
    """Write down that a request which was to be cancelled has ended."""
    PlanRequest.objects.filter(
        pk=plan_request_id, status=Status.RUNNING, cancel_asked_at__isnull=False
    ).update(status=Status.CANCELLED, finished_at=now, progress_text="Cancelled")


def retry(*, plan_request_id: int, now: datetime) -> bool:
    """Queue a failed or cancelled request again; return whether it was one of these."""
    again = PlanRequest.objects.filter(
        pk=plan_request_id, status__in=(Status.FAILED, Status.CANCELLED)
    ).update(
        status=Status.QUEUED,
        requested_at=now,
        claimed_at=None,
        cancel_asked_at=None,
        finished_at=None,
        progress_percent=0,
        progress_text="",
        best_total=None,
        error="",
    )
    return again == 1


def free_stale_requests(*, now: datetime) -> list[int]:
    """Put back requests whose worker died; return all that wait too long."""
    dead = PlanRequest.objects.filter(status=Status.RUNNING, claimed_at__lt=now - STALE_AFTER)
    dead.filter(cancel_asked_at__isnull=False).update(
        status=Status.CANCELLED, finished_at=now, progress_text="Cancelled"
    )
    dead.filter(cancel_asked_at=None).update(status=Status.QUEUED, claimed_at=None)
    return list(
        PlanRequest.objects.filter(
            status=Status.QUEUED, requested_at__lt=now - timedelta(minutes=1)
        )
        .order_by("id")
        .values_list("pk", flat=True)
    )


def _answer_afresh(request: PlanRequest, *, now: datetime) -> Plan:
    newest, waiting = _newest_draft(), _waiting()
    proposal = _propose(request, as_of=now)
    with transaction.atomic():
        meanwhile = _newest_draft()
        if meanwhile and meanwhile != newest:
            return _answer(request, meanwhile, "A newer draft was made meanwhile")
        return _answer(request, store(proposal), "Draft made", waiting)


@transaction.atomic
def _answer_better(request: PlanRequest, base: Plan, proposal: Proposal) -> Plan:
    """Put a better draft of the same work in the base's place, if that is still the draft."""
    if not Plan.objects.select_for_update().filter(pk=base.pk, status=Plan.Status.DRAFT).exists():
        return _answer(request, base, "A newer plan has taken its place")
    gained = float(base.objective["total"]) - proposal.total
    if gained <= LEAST_GAIN:
        return _answer(request, base, "No better plan was found; the draft stays")
    return _answer(request, store(proposal, gained=gained), "Better draft made")


def _answer(request: PlanRequest, plan: Plan, text: str, waiting: Sequence[int] = ()) -> Plan:
    """Write down what answers a request that is still wanted, and those that waited for as much."""
    done = {
        "status": Status.DONE,
        "finished_at": timezone.now(),
        "progress_percent": 100,
        "progress_text": text,
        "plan": plan,
        "error": "",
    }
    still_wanted = PlanRequest.objects.filter(
        pk=request.pk, status=Status.RUNNING, cancel_asked_at=None
    )
    if not still_wanted.update(**done):
        raise RequestEnded
    PlanRequest.objects.filter(pk__in=waiting, status=Status.QUEUED).update(**done)
    return plan


def _waiting() -> list[int]:
    """
    Return the requests that a plan read from now on answers as well.

    By row, not by time: a report may be stored with its request only after the work was read,
    though both carry an earlier moment.
    """
    return list(PlanRequest.objects.filter(status=Status.QUEUED).values_list("pk", flat=True))


def _propose(request: PlanRequest, *, as_of: datetime, state: str = "") -> Proposal:
    """Return a proposal, telling the request how far it is; ends early when it is cancelled."""
    row = PlanRequest.objects.filter(pk=request.pk)

    tells, looks = _NowAndThen(), _NowAndThen()

    def show(percent: int, text: str, total: float | None = None) -> None:
        if total is None or tells():
            row.filter(cancel_asked_at=None).update(
                progress_percent=percent, progress_text=text[:120], best_total=total
            )

    def is_cancelled() -> bool:
        return looks() and not row.filter(cancel_asked_at=None).exists()

    return propose(
        now=as_of,
        budget_seconds=request.budget_seconds,
        progress=show,
        cancelled=is_cancelled,
        state=state,
    )


class _NowAndThen:
    """True at the first call, and then again after a while."""

    def __init__(self) -> None:
        self._next = time.monotonic()

    def __call__(self) -> bool:
        if time.monotonic() < self._next:
            return False
        self._next = time.monotonic() + LOOK_EVERY_SECONDS
        return True


def _newest_draft() -> Plan | None:
    return Plan.objects.filter(status=Plan.Status.DRAFT).order_by("-id").first()
