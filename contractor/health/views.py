"""`GET /health/` for programs, and the page that asks "Is it running?" for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.db import Error
from django.http import Http404, JsonResponse
from django.shortcuts import redirect
from django.template.response import TemplateResponse
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST, require_safe

from contractor.health import facts
from contractor.health.lines import State, lines, worker_word, worst
from jobs import tasks
from jobs.models import Notice, TaskRequest
from jobs.selectors import running
from jobs.services import notices, planning, task_requests

if TYPE_CHECKING:
    from datetime import timedelta

    from django.http import HttpRequest, HttpResponse

SEES = "jobs.view_taskrequest"
TRIES_AGAIN = "jobs.change_plan"
# Where each `look` of a line leads: what is written there, the address, and what is asked of it.
LOOKS = {
    "tasks": ("Look at the tasks", "admin:jobs_taskrequest_changelist", ""),
    "plans": ("Look at the plans asked for", "admin:jobs_planrequest_changelist", ""),
    "waiting_notices": (
        "Look at the messages",
        "admin:jobs_notice_changelist",
        "?state__exact=WAITING",
    ),
    "parked_notices": (
        "Look at the messages",
        "admin:jobs_notice_changelist",
        "?state__exact=PARKED",
    ),
    "plan": ("Go to the plans", "admin:jobs_plan_changelist", ""),
    "weather": ("Go to the weather", "admin:inspections_weatherarea_desk", ""),
}
AGAIN = {"tasks": "Try again", "notices": "Try again", "forecast": "Forecast now"}


@never_cache
@require_safe
def health(request: HttpRequest) -> JsonResponse:
    """
    Return the state of database, broker and worker; 503 when a restart is called for.

    A silent worker counts only if one ever spoke: a web process alone is healthy. The broker does
    not decide: without it people still read and write, and the requests wait in the database.
    """
    try:
        known = running.pulse()
    except Error:
        known = None
    broker = facts.broker()
    state = worker_word(known.beat_age if known else None)
    body = {
        "database": "ok" if known else "down",
        "broker": "ok" if broker.answers else "down",
        "queue_messages": broker.messages,
        "worker": {
            "state": state,
            "age_seconds": _seconds(known.beat_age) if known else None,
            "clock_off_seconds": known.clock_off_seconds if known else None,
        },
        "oldest_unsent_notice_seconds": (_seconds(known.unsent_for) or 0) if known else None,
    }
    return JsonResponse(body, status=200 if known and state != "silent" else 503)


@require_safe
def page(request: HttpRequest) -> HttpResponse:
    """Show what runs and what does not, the worst first, each with what to do."""
    if not request.user.has_perm(SEES):
        raise PermissionDenied
    found = lines(facts.gather())
    may_try = request.user.has_perm(TRIES_AGAIN)
    return TemplateResponse(
        request,
        "admin/health.html",
        {
            **admin.site.each_context(request),
            "title": "Is it running?",
            "rows": [
                (
                    line,
                    AGAIN.get(line.again, "") if may_try else "",
                    _look(line.look) if line.look else None,
                )
                for line in found
            ],
            "wrong": sum(line.state is State.WRONG for line in found),
            "to_look": sum(line.state is State.LOOK for line in found),
            "is_fine": worst(found) is State.FINE,
            "may_try": may_try,
            "now": timezone.localtime(),
        },
    )


@require_POST
def again(request: HttpRequest, what: str) -> HttpResponse:
    """Ask again for what one line says was given up, and go back to the page."""
    if not request.user.has_perm(TRIES_AGAIN):
        raise PermissionDenied
    if what not in AGAIN:
        raise Http404(f"Nothing is called {what}")
    number = {"tasks": _tasks_again, "notices": _notices_again, "forecast": _forecast_again}[what]()
    if number:
        messages.success(request, f"{number} asked for again. Look here again in a minute.")
    else:
        messages.warning(
            request, "Nothing could be tried again. A message needs an address that is entered."
        )
    return redirect("health_page")


def _tasks_again() -> int:
    now, number = timezone.now(), 0
    work = running.work(now=now)
    for row in work.tasks:
        if task_requests.retry(task_request_id=row.key, now=now):
            tasks.send_again(task_request_id=row.key)
            number += 1
    for row in work.plans:
        if planning.retry(plan_request_id=row.key, now=now):
            tasks.enqueue_plan(plan_request_id=row.key)
            number += 1
    return number


def _notices_again() -> int:
    parked = Notice.objects.filter(state=Notice.State.PARKED).values_list("pk", flat=True)
    return sum(notices.retry(notice_id=pk, now=timezone.now()) for pk in parked)


def _forecast_again() -> int:
    tasks.enqueue_task(kind=TaskRequest.Kind.ODDS, reason="asked for by hand")
    return 1


def _look(name: str) -> tuple[str, str]:
    label, address, query = LOOKS[name]
    return label, reverse(address) + query


def _seconds(span: timedelta | None) -> int | None:
    return None if span is None else round(span.total_seconds())
