"""
Work in the background as rows: asked for, claimed, done; tried again with a pause, then parked.

A message only says that there is something to do. If it is lost, comes twice, or its worker dies,
the row tells what is left: the claim lets one worker in, and the sweep sends again what waits.
"""

from __future__ import annotations

import uuid
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING, Protocol

from django.db import IntegrityError, transaction
from django.db.models import Exists, OuterRef, Q
from django.utils import timezone

from jobs.models import TaskRequest
from jobs.services import forecasting, morning_sheet, proposals, publishing, slips

if TYPE_CHECKING:
    from collections.abc import Mapping

    from jobs.services.plan_making import Progress

Kind = TaskRequest.Kind
Status = TaskRequest.Status

STALE_AFTER = timedelta(minutes=10)  # above the task time limit of 5 minutes
SEND_AGAIN_AFTER = timedelta(minutes=1)
MOST_TRIES = 5
FIRST_PAUSE = timedelta(seconds=30)
# Before the crews leave the yard and after the night's clock changes; our own.
MORNING = time(5, 15)


class Handler(Protocol):
    """What is done for one kind of request."""

    def __call__(self, *, now: datetime, reason: str, progress: Progress) -> str: ...


def ask(*, kind: str, reason: str, now: datetime, once: str | None = None) -> TaskRequest | None:
    """
    Return a stored wish for work; None where `once` names one that was asked for before.

    Wishes of one kind that still wait are answered by one run: it works on all that is there.
    """
    wanted = TaskRequest(
        kind=kind, reason=reason[:200], once=once, requested_at=now, next_try_at=now
    )
    try:
        with transaction.atomic():
            wanted.save()
    except IntegrityError:
        return None
    return wanted


def ask_for_the_morning(*, now: datetime) -> list[TaskRequest]:
    """Return the day's wishes: compare, flag holds, write the sheet, forecast; once a day each."""
    local = timezone.localtime(now)
    if local.time() < MORNING:
        return []
    day = local.date().isoformat()
    asked = [
        ask(kind=kind, reason=f"the morning of {day}", now=now, once=f"{kind} {day}")
        for kind in (Kind.SLIPS, Kind.HOLDS, Kind.SHEET, Kind.ODDS)
        if not TaskRequest.objects.filter(once=f"{kind} {day}").exists()
    ]
    return [row for row in asked if row]


def claim(*, task_request_id: int, now: datetime) -> uuid.UUID | None:
    """
    Take a request if it is free and due; return the name of this run, None for all others.

    While one of its kind runs it is not free: two at once would do the same work, and the later
    would find its facts overtaken. `next_in_line` names it once that one has ended.
    """
    name = uuid.uuid4()
    running = TaskRequest.objects.filter(
        kind=OuterRef("kind"), status=Status.RUNNING, claimed_at__gte=now - STALE_AFTER
    )
    won = TaskRequest.objects.filter(
        ~Exists(running), pk=task_request_id, status=Status.QUEUED, next_try_at__lte=now
    ).update(status=Status.RUNNING, claimed_at=now, claim=name)
    return name if won else None


def next_in_line(*, kind: str, now: datetime) -> int | None:
    """Return the oldest request of a kind that is due and that nobody has taken."""
    due = TaskRequest.objects.filter(kind=kind, status=Status.QUEUED, next_try_at__lte=now)
    return due.order_by("pk").values_list("pk", flat=True).first()


def run(*, task_request_id: int, claim: uuid.UUID, now: datetime) -> str:
    """Do what a claimed request asks for, and return in words what was done."""
    mine = TaskRequest.objects.filter(pk=task_request_id, claim=claim)
    request = mine.get()
    also = _waiting_too(request)

    def show(percent: int, text: str, total: float | None = None) -> None:
        mine.update(progress_percent=percent, progress_text=text[:200])

    done = HANDLERS[request.kind](now=now, reason=request.reason, progress=show)
    ended = {
        "status": Status.DONE,
        "finished_at": now,
        "progress_percent": 100,
        "progress_text": done[:200],
        "error": "",
    }
    mine.update(**ended)
    TaskRequest.objects.filter(pk__in=also, status=Status.QUEUED).update(**ended)
    return done


def put_back(*, task_request_id: int, claim: uuid.UUID, error: str, now: datetime) -> bool:
    """Let a run that failed be tried again after a pause; parks it after the last. True: parked."""
    request = TaskRequest.objects.filter(pk=task_request_id, claim=claim).first()
    if request is None:
        return False
    tries = request.tries + 1
    parked = tries >= MOST_TRIES
    TaskRequest.objects.filter(pk=task_request_id, claim=claim, status=Status.RUNNING).update(
        status=Status.PARKED if parked else Status.QUEUED,
        tries=tries,
        error=error[:300],
        claimed_at=None,
        claim=None,
        next_try_at=now + pause_after(tries),
        finished_at=now if parked else None,
    )
    return parked


def retry(*, task_request_id: int, now: datetime) -> bool:
    """Queue a parked request again; return whether it was one."""
    again = TaskRequest.objects.filter(pk=task_request_id, status=Status.PARKED).update(
        status=Status.QUEUED,
        tries=0,
        error="",
        next_try_at=now,
        finished_at=None,
        progress_percent=0,
        progress_text="",
    )
    return again == 1


def pause_after(tries: int) -> timedelta:
    """Return how long to wait after so many failures: half a minute, then twice as long."""
    return FIRST_PAUSE * (1 << (tries - 1))


def free_stale(*, now: datetime) -> list[int]:
    """Put back what a dead worker holds; return all that is due and that nobody has taken."""
    TaskRequest.objects.filter(status=Status.RUNNING, claimed_at__lt=now - STALE_AFTER).update(
        status=Status.QUEUED, claimed_at=None, claim=None, next_try_at=now - SEND_AGAIN_AFTER
    )
    # A fresh wish has a message of its own on the way; only if that takes long it is sent again.
    has_none = Q(once__isnull=False) | Q(tries__gt=0)
    late = Q(next_try_at__lte=now - SEND_AGAIN_AFTER)
    return list(
        TaskRequest.objects.filter(has_none | late, status=Status.QUEUED, next_try_at__lte=now)
        .order_by("id")
        .values_list("pk", flat=True)
    )


def _waiting_too(request: TaskRequest) -> list[int]:
    """Return the wishes of the same kind that a run which begins now answers as well."""
    rows = TaskRequest.objects.filter(kind=request.kind, status=Status.QUEUED)
    return list(rows.values_list("pk", flat=True))


def _compare(*, now: datetime, reason: str, progress: Progress) -> str:
    found = slips.compare_published(now=now, trigger=reason, progress=progress)
    if found.new or found.grown:
        progress(95, "Making a proposal")
        proposals.propose(reason=proposals.reason_of(found), now=now)
    return f"{len(found.new)} new slips, {len(found.grown)} grown, {len(found.ended)} ended"


def _feeds(*, now: datetime, reason: str, progress: Progress) -> str:
    change = publishing.refresh_feeds(now=now)
    return f"{change.added} added, {change.moved} changed, {change.dropped} dropped"


def _holds(*, now: datetime, reason: str, progress: Progress) -> str:
    return f"{morning_sheet.tell_of_holds(now=now)} notices of holds"


def _sheet(*, now: datetime, reason: str, progress: Progress) -> str:
    return f"{morning_sheet.write_sheet(now=now)} morning sheets"


def _odds(*, now: datetime, reason: str, progress: Progress) -> str:
    try:
        forecast = forecasting.begin(now=now)
    except forecasting.NoPublishedPlan:
        return "nothing is published"
    return f"forecast {forecast.pk} begun in {forecast.chunks.count()} chunks"


HANDLERS: Mapping[str, Handler] = {
    Kind.SLIPS: _compare,
    Kind.FEEDS: _feeds,
    Kind.HOLDS: _holds,
    Kind.SHEET: _sheet,
    Kind.ODDS: _odds,
}
