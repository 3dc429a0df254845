"""Draft against published: who is told what, which jobs move, and publishing all or a part."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from django.contrib import messages
from django.shortcuts import redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from crews.selectors import NoFirm
from jobs import tasks
from jobs.admin.words import count, day, short_day
from jobs.desk.base import CHANGE, VIEW, office_page, rendered
from jobs.models import Job, Plan, TaskRequest
from jobs.selectors.draft_changes import Days, JobChange, job_changes, latest_comparison
from jobs.services import notices, planning, publishing, publishing_part
from jobs.services.publishing_part import Part

if TYPE_CHECKING:
    from collections.abc import Iterable

    from django.http import HttpRequest, HttpResponse

DRAFT = "desk:draft"


@dataclass(frozen=True, slots=True)
class JobRow:
    """A job that the draft changes, in words; `must` where it cannot stay as published."""

    change: JobChange
    bookings: str
    was: str
    becomes: str
    finish: str
    promise: str
    is_chosen: bool
    must: bool


@dataclass(frozen=True, slots=True)
class Told:
    """What one person would be told, in the order in which it begins."""

    name: str
    lines: tuple[str, ...]


@office_page(VIEW)
def draft(request: HttpRequest) -> HttpResponse:
    """Show what the newest draft changes, and what a chosen part of it would need."""
    newest, published, comparison = latest_comparison()
    if newest is None or comparison is None:
        return rendered(
            request, "draft", title="Draft against published", plan=None, published=published
        )
    chosen = _chosen(request.GET)
    context: dict[str, Any] = {"plan": newest, "published": published, "comparison": comparison}
    must: frozenset[int] = frozenset()
    if published is not None:
        try:
            part, must = _part(newest, chosen)
        except (planning.TooFarAheadError, planning.PlanUnsoundError, NoFirm) as fault:
            context["fault"] = str(fault)
        else:
            context["part"] = part if chosen else None
            context["numbers"] = _numbers(part.jobs) if part else []
            context["needs"] = _numbers(part.needs) if part else []
    changes = job_changes(draft=newest, comparison=comparison, published=published)
    picked = chosen or must
    context["jobs"] = [_row(change, picked, must) for change in changes]
    context["people"] = _people(newest, published)
    title = f"{newest} against {published}" if published else f"{newest}, the first plan"
    return rendered(request, "draft", title=title, **context)


@office_page(CHANGE)
@require_POST
def publish_part(request: HttpRequest, plan_id: int) -> HttpResponse:
    """Publish the chosen jobs' moves, or say what else would have to move."""
    now, chosen = timezone.now(), _chosen(request.POST)
    try:
        done = publishing_part.publish_part(plan_id=plan_id, jobs=chosen, now=now, by=request.user)
    except publishing_part.PartRefused as refusal:
        messages.error(request, f"Nothing is published. {refusal}")
        return redirect(_asking(chosen))
    except (publishing.PublishRefused, planning.TooFarAheadError, NoFirm) as refusal:
        messages.error(request, str(refusal))
        return redirect(DRAFT)
    numbers = ", ".join(_numbers(chosen))
    messages.success(
        request, f"{done.plan} is published: only job {numbers} moved. {_feed_words(done)}"
    )
    tasks.enqueue_task(kind=TaskRequest.Kind.ODDS, reason=f"{done.plan} is published")
    return redirect(DRAFT)


def _part(newest: Plan, chosen: frozenset[int]) -> tuple[Part, frozenset[int]]:
    """Return the chosen part, and the jobs that cannot stay whatever is chosen."""
    nothing = publishing_part.part_of(draft=newest, jobs=())
    part = publishing_part.part_of(draft=newest, jobs=chosen) if chosen else nothing
    return part, nothing.needs


def _chosen(asked: Any) -> frozenset[int]:
    """Return the jobs that are asked for; nonsense is left out."""
    keys = asked.getlist("job")
    return frozenset(int(key) for key in keys if key.isascii() and key.isdigit() and len(key) < 10)


def _asking(jobs: Iterable[int]) -> str:
    return f"{reverse(DRAFT)}?{'&'.join(f'job={pk}' for pk in sorted(jobs))}#part"


def _numbers(jobs: Iterable[int]) -> list[str]:
    rows = Job.objects.filter(pk__in=list(jobs)).order_by("number")
    return list(rows.values_list("number", flat=True))


def _people(newest: Plan, published: Plan | None) -> list[Told]:
    lines = notices.lines_of_plan(plan=newest, before=published)
    told = [
        Told(
            person.name,
            tuple(line.words for line in sorted(rows, key=lambda line: line.begins_at)),
        )
        for person, rows in lines.items()
        if rows
    ]
    return sorted(told, key=lambda row: row.name)


def _row(change: JobChange, picked: frozenset[int], must: frozenset[int]) -> JobRow:
    counts = (
        f"{change.moved} move" if change.moved else "",
        f"{change.added} new" if change.added else "",
        f"{change.removed} go" if change.removed else "",
    )
    return JobRow(
        change=change,
        bookings=", ".join(filter(None, counts)),
        was=_days(change.was),
        becomes=_days(change.becomes),
        finish=_finish_words(change.finish_days),
        promise=_promise_words(change),
        is_chosen=change.job.pk in picked,
        must=change.job.pk in must,
    )


def _days(days: Days | None) -> str:
    return "–" if days is None else f"{day(days.first_on)} to {day(days.last_on)}"


def _finish_words(days: int | None) -> str:
    if days is None:
        return "–"
    if days == 0:
        return "same day"
    return f"{count(abs(days), 'day')} {'later' if days > 0 else 'sooner'}"


def _promise_words(change: JobChange) -> str:
    if change.promised_on is None:
        return "no promise"
    told = short_day(change.promised_on)
    if change.is_late == change.was_late or change.was is None:
        return f"{told}, {'late' if change.is_late else 'kept'}"
    return f"{told}, {'lost' if change.is_late else 'kept again'}"


def _feed_words(done: publishing.Published) -> str:
    feed = done.feed
    return f"Crews' calendars: {feed.added} added, {feed.moved} changed, {feed.dropped} dropped."
