"""After a small change: a draft at once, and a better one from a worker."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from django.contrib import messages
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html

from crews.selectors import NoFirm
from jobs import tasks
from jobs.models import Plan, TaskRequest
from jobs.services import planning

if TYPE_CHECKING:
    from django.http import HttpRequest

    from jobs.models import PlanRequest

logger = logging.getLogger(__name__)


def plan_again(request: HttpRequest, *, reason: str) -> None:
    """
    Make a draft of what has just been stored, ask for a better one, and tell what came of it.

    What was stored stays, whatever becomes of the draft. Nothing is planned for someone who may
    not ask for plans, or before there is a plan at all.
    """
    has_plan = Plan.objects.exclude(status=Plan.Status.REPLACED).exists()
    if not has_plan or not request.user.has_perm("jobs.change_plan"):
        return
    tasks.enqueue_task(kind=TaskRequest.Kind.SLIPS, reason=reason)
    try:
        wanted = planning.repair_now(reason=reason, now=timezone.now(), by=request.user)
    except (planning.TooFarAheadError, NoFirm) as fault:
        messages.warning(request, f"It is saved, but no draft can be made of it: {fault}")
    except planning.PlanUnsoundError:
        logger.exception("No draft after %s", reason)
        messages.warning(request, "It is saved, but no draft was made of it. Ask for a new plan.")
    else:
        look_for_better(request, wanted)


def look_for_better(request: HttpRequest, wanted: PlanRequest) -> None:
    """Send a wish for a better plan than its draft to a worker, and tell where to follow both."""
    tasks.enqueue_plan(plan_request_id=wanted.pk)
    assert wanted.base is not None
    messages.info(
        request,
        format_html(
            '<a href="{}">{}</a> shows what this moves. '
            '<a href="{}">A better one is looked for.</a>',
            reverse("admin:jobs_plan_change", args=[wanted.base.pk]),
            wanted.base,
            reverse("admin:jobs_planrequest_change", args=[wanted.pk]),
        ),
    )
