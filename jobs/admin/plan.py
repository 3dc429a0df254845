"""The list of plans, the report of one plan, and the two buttons: ask and publish."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.template.response import TemplateResponse
from django.urls import URLPattern, path
from django.utils import timezone

from contractor.roles import READ_FIRM
from jobs import tasks
from jobs.admin.crew_sections import crew_sections
from jobs.admin.owner import owner_context
from jobs.admin.plan_report import could_begin, report_of
from jobs.admin.what_if import what_if_context
from jobs.admin.words import count, short_day
from jobs.models import Plan, TaskRequest
from jobs.selectors import plans
from jobs.services import early_starts, planning, publishing


@admin.register(Plan)
class PlanAdmin(admin.ModelAdmin):
    """Plans are made by planning and put into force by publishing; nobody types one."""

    list_display = (
        "name",
        "status",
        "made",
        "late_jobs",
        "without_dates",
        "cost",
        "gain",
        "how_good",
        "tried",
        "published",
    )
    list_filter = ("status", "made_at")
    ordering = ("-id",)
    list_per_page = 50
    change_list_template = "admin/jobs/plan/change_list.html"

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Refuse plans by hand."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Plan | None = None) -> bool:
        """Refuse to delete plans: they are the record of what people were told."""
        return False

    def get_urls(self) -> list[URLPattern]:
        """Return the stock addresses, asking, publishing, and what if."""
        view = self.admin_site.admin_view
        return [
            path("ask/", view(self.ask), name="jobs_plan_ask"),
            path("owner/", view(self.owner), name="jobs_plan_owner"),
            path("<int:plan_id>/publish/", view(self.publish), name="jobs_plan_publish"),
            path(
                "<int:plan_id>/pull-forward/",
                view(self.pull_forward),
                name="jobs_plan_pull_forward",
            ),
            path("<int:plan_id>/what-if/", view(self.what_if), name="jobs_plan_what_if"),
            *super().get_urls(),
        ]

    @admin.display(description="plan", ordering="id")
    def name(self, plan: Plan) -> str:
        """Return the plan's name."""
        return str(plan)

    @admin.display(description="made", ordering="made_at")
    def made(self, plan: Plan) -> str:
        """Return the day and time it was made."""
        return _moment(plan.made_at)

    @admin.display(description="published", ordering="published_at")
    def published(self, plan: Plan) -> str:
        """Return the day and time it came into force."""
        return _moment(plan.published_at)

    @admin.display(description="late jobs")
    def late_jobs(self, plan: Plan) -> Any:
        """Return how many promises it breaks."""
        return plan.objective.get("late_jobs", "–")

    @admin.display(description="no dates")
    def without_dates(self, plan: Plan) -> int:
        """Return how many phases could not be planned."""
        return len(plan.unplanned)

    @admin.display(description="cost")
    def cost(self, plan: Plan) -> str:
        """Return the sum of the parts of its cost."""
        return f"{plan.objective['total']:,.1f}" if "total" in plan.objective else "–"

    @admin.display(description="gained", ordering="gained")
    def gain(self, plan: Plan) -> str:
        """Return by how much improving made it cheaper."""
        return "–" if plan.gained is None else f"{plan.gained:,.1f}"

    @admin.display(description="how good")
    def how_good(self, plan: Plan) -> str:
        """Return whether it is proven best, else below which cost no plan can be."""
        return plans.bound_words(plan)

    @admin.display(description="plans tried", ordering="seconds")
    def tried(self, plan: Plan) -> str:
        """Return how many plans were tried, and in how many seconds."""
        return f"{plan.objective.get('iterations', 0):,} in {plan.seconds:.1f} s"

    def change_view(
        self,
        request: HttpRequest,
        object_id: str,
        form_url: str = "",
        extra_context: dict[str, Any] | None = None,
    ) -> HttpResponse:
        """Show the plan as a report; there is nothing to type."""
        plan = self._plan(request, object_id)
        context = self._context(request, plan, f"{plan}, {plan.get_status_display().lower()}")
        context["crews"] = crew_sections(plan)
        return TemplateResponse(request, "admin/jobs/plan/change_form.html", context)

    def ask(self, request: HttpRequest) -> HttpResponse:
        """Ask for a new plan of all open work."""
        self._may_change(request)
        if request.method != "POST":
            return redirect("admin:jobs_plan_changelist")
        wanted = planning.request_plan(
            reason=f"asked for by {request.user}", by=request.user, now=timezone.now()
        )
        tasks.enqueue_plan(plan_request_id=wanted.pk)
        self.message_user(request, "A new plan is on its way. This page follows it.")
        return redirect("admin:jobs_planrequest_change", wanted.pk)

    def publish(self, request: HttpRequest, plan_id: int) -> HttpResponse:
        """Show what publishing changes, and publish when that is confirmed."""
        self._may_change(request)
        plan = self._plan(request, str(plan_id))
        if request.method != "POST":
            context = self._context(request, plan, f"Publish {plan}?")
            return TemplateResponse(request, "admin/jobs/plan/publish.html", context)
        try:
            done = publishing.publish(plan_id=plan.pk, by=request.user, now=timezone.now())
        except publishing.PublishRefused as refusal:
            self.message_user(request, str(refusal), messages.ERROR)
        else:
            self.message_user(request, _published_words(done), messages.SUCCESS)
            tasks.enqueue_task(kind=TaskRequest.Kind.ODDS, reason=f"{done.plan} is published")
        return redirect("admin:jobs_plan_change", plan.pk)

    def pull_forward(self, request: HttpRequest, plan_id: int) -> HttpResponse:
        """Make a draft that begins a job sooner, within the days that are else kept as told."""
        self._may_change(request)
        plan, job = self._plan(request, str(plan_id)), request.POST.get("job", "")
        entry = next((row for row in could_begin(plan) if str(row.job_id) == job), None)
        if request.method != "POST" or entry is None:
            return redirect("admin:jobs_plan_change", plan.pk)
        try:
            draft = early_starts.pull_forward(job_id=entry.job_id, now=timezone.now())
        except (early_starts.NothingEarlier, planning.TooFarAheadError) as fault:
            self.message_user(request, str(fault), messages.WARNING)
            return redirect("admin:jobs_plan_change", plan.pk)
        words = f"{draft} begins job {entry.job} sooner. Nothing changes before it is published."
        self.message_user(request, words, messages.SUCCESS)
        return redirect("admin:jobs_plan_change", draft.pk)

    def owner(self, request: HttpRequest) -> HttpResponse:
        """Show the firm as its owner reads it: backlog, finishes, load, slips, calibration."""
        if not request.user.has_perm(READ_FIRM):
            raise PermissionDenied
        context = {
            **self.admin_site.each_context(request),
            "title": "The firm at a glance",
            "opts": self.opts,
            **owner_context(now=timezone.now()),
        }
        return TemplateResponse(request, "admin/jobs/plan/owner.html", context)

    def what_if(self, request: HttpRequest, plan_id: int) -> HttpResponse:
        """Show why a booking of the plan is where it is, and what one change would do."""
        plan = self._plan(request, str(plan_id))
        context = {
            **self.admin_site.each_context(request),
            "title": f"What if, {plan}",
            "opts": self.opts,
            "plan": plan,
            "media": self.media,
            **what_if_context(plan, request.GET, now=timezone.now()),
        }
        return TemplateResponse(request, "admin/jobs/plan/what_if.html", context)

    def _plan(self, request: HttpRequest, object_id: str) -> Plan:
        if not self.has_view_permission(request):
            raise PermissionDenied
        plan = self.get_object(request, object_id)
        if plan is None:
            raise Http404(f"No plan {object_id}")
        return plan

    def _may_change(self, request: HttpRequest) -> None:
        if not self.has_change_permission(request):
            raise PermissionDenied

    def _context(self, request: HttpRequest, plan: Plan, title: str) -> dict[str, Any]:
        return {
            **self.admin_site.each_context(request),
            "title": title,
            "opts": self.opts,
            "original": plan,
            "plan": plan,
            "report": report_of(plan, now=timezone.now()),
            "could_begin": could_begin(plan),
            "has_view_permission": True,
            "may_change": self.has_change_permission(request),
            "media": self.media,
        }


def _moment(moment: datetime | None) -> str:
    """Return a day and time at the site, short enough for a narrow column."""
    if moment is None:
        return "–"
    return f"{short_day(moment)}, {timezone.localtime(moment):%H:%M}"


def _published_words(done: publishing.Published) -> str:
    feed = done.feed
    return (
        f"{done.plan} is published. Crews' calendars: {count(feed.added, 'entry')} added, "
        f"{feed.moved} changed, {feed.dropped} dropped."
    ).replace("entrys", "entries")
