"""The job list and the job page."""

from __future__ import annotations

from functools import cache, partial
from typing import Any

from django.contrib import admin, messages
from django.contrib.admin.utils import flatten
from django.contrib.admin.views.main import ChangeList
from django.core.exceptions import PermissionDenied
from django.db import IntegrityError, transaction
from django.db.models import F, QuerySet
from django.forms import BaseModelFormSet, ModelForm
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.template.response import TemplateResponse
from django.urls import URLPattern, path
from django.utils import timezone
from django.utils.functional import SimpleLazyObject

from jobs.admin.holds import holds_context
from jobs.admin.intake import (
    CopyForm,
    IntakeForm,
    grouped,
    intake_context,
    sign_described,
)
from jobs.admin.job_filters import LatenessFilter, WaitingForFilter
from jobs.admin.job_inlines import inlines_for
from jobs.admin.job_life import Life, life_of
from jobs.admin.job_panel import Panel, panel_of
from jobs.admin.job_slips import SlipsOfJob, slips_of
from jobs.admin.job_told import ToldOfJob, told_of
from jobs.admin.plan_report import first_reasons
from jobs.admin.recording import RecordsChanges
from jobs.admin.replanning import plan_again
from jobs.admin.start_dates import start_dates_context
from jobs.admin.words import building_words, lateness_words, local_date, short_day
from jobs.forms import JobForm
from jobs.models import Job
from jobs.selectors import job_progress, plans
from jobs.selectors.buildings import building_of
from jobs.services import intake

FIELDSETS = (
    (None, {"fields": (("number", "status"), ("sold_on", "contract_value_usd"))}),
    (
        "Buyer",
        {
            "fields": (
                ("buyer_name",),
                ("buyer_phone", "buyer_email"),
                ("tells_buyer", "crew_may_call_buyer"),
            )
        },
    ),
    (
        "Site",
        {
            "fields": (
                ("site_address", "site_town"),
                ("site_county", "site_state"),
                "gate_code",
                ("drive_minutes", "site_latitude_deg", "site_longitude_deg"),
            )
        },
    ),
    (
        "Promise",
        {
            "fields": (
                ("promised_on", "promise_weight"),
                ("earliest_start_on", "preferred_crew"),
                "completed_on",
            )
        },
    ),
    (
        "Building",
        {
            "fields": (
                "use",
                ("width_ft", "length_ft", "eave_ft"),
                ("pitch_in_12", "bay_ft"),
                ("truss_spacing_ft", "end_spacing_ft"),
                ("overhang_ft", "gable_overhang_ft"),
                "extends_existing",
            )
        },
    ),
    (
        "Foundation",
        {
            "description": "Footings follow the engineer's drawings and the authority's frost "
            "depth; no digging before the buried lines are marked.",
            "fields": (
                ("foundation", "soil"),
                ("hole_depth_in", "pier_diameter_in"),
                ("pad_in", "collar_in"),
                ("slab_in", "post_kind"),
            ),
        },
    ),
    (
        "Steel and lining",
        {
            "fields": (
                ("roof_gauge", "wall_gauge", "wainscot_ft"),
                ("insulation", "wall_lining"),
                ("ceiling_lining", "liner_gauge"),
            )
        },
    ),
    ("Notes", {"fields": ("notes",)}),
)


@admin.register(Job)
class JobAdmin(RecordsChanges):
    """Jobs: what is built, where it stands, when it is planned, and whether that is late."""

    form = JobForm
    fieldsets = FIELDSETS
    list_display = (
        "number",
        "buyer_name",
        "building",
        "county",
        "stage",
        "planned",
        "promised",
        "lateness",
    )
    list_display_links = ("number", "buyer_name")
    list_filter = ("status", WaitingForFilter, LatenessFilter, "use", "foundation", "site_county")
    list_per_page = 50
    actions = None
    search_fields = ("number", "buyer_name", "site_address", "site_town")
    search_help_text = "Number, buyer, address or town."
    autocomplete_fields = ("preferred_crew",)
    date_hierarchy = "sold_on"
    ordering = ("-status", F("promised_on").asc(nulls_last=True), "number")

    def get_queryset(self, request: HttpRequest) -> QuerySet[Job]:
        """Return the jobs with their planned dates and what their stage is read from."""
        return job_progress.with_plan_dates(super().get_queryset(request), now=timezone.now())

    def get_changelist_instance(self, request: HttpRequest) -> ChangeList:
        """Return the list, each row with the reason why the published plan has no dates for it."""
        changelist = super().get_changelist_instance(request)
        reasons = first_reasons(plans.published_plan())
        changelist.result_list = list(changelist.result_list)
        for job in changelist.result_list:
            job.no_dates_because = reasons.get(job.number, "")
        return changelist

    def get_urls(self) -> list[URLPattern]:
        """Return the stock addresses, the page of all holds, and that of start dates."""
        view = self.admin_site.admin_view
        return [
            path("holds/", view(self.holds), name="jobs_job_holds"),
            path("intake/", view(self.intake), name="jobs_job_intake"),
            path("<int:job_id>/copy/", view(self.copy), name="jobs_job_copy"),
            path("start-dates/", view(self.start_dates), name="jobs_job_start_dates"),
            *super().get_urls(),
        ]

    def intake(self, request: HttpRequest) -> HttpResponse:
        """Sign a building described in a dozen fields, after showing what its options do."""
        data = request.POST if request.method == "POST" else None
        form = IntakeForm(data, now=timezone.now())
        if data is None:
            # From the page of start dates: what was asked there is described already.
            form.initial |= {k: v for k, v in request.GET.items() if k in form.fields}
            if "options" in request.GET:
                form.initial["options"] = request.GET.getlist("options")
        return self._taken_in(request, form, {"title": "New job"})

    def copy(self, request: HttpRequest, job_id: int) -> HttpResponse:
        """Sign a building like that of an older job."""
        if not self.has_add_permission(request):
            raise PermissionDenied
        source = Job.objects.filter(pk=job_id).select_related("permit").first()
        if source is None:
            raise Http404(f"No job {job_id}")
        data = request.POST if request.method == "POST" else None
        form = CopyForm(data, source=source, now=timezone.now())
        told = {"title": "Copy a job", "source": source, "like": building_words(source)}
        return self._taken_in(request, form, told)

    def _taken_in(
        self, request: HttpRequest, form: IntakeForm | CopyForm, told: dict[str, Any]
    ) -> HttpResponse:
        """Answer either page: store the job, show what options do, or show the form."""
        if not self.has_add_permission(request):
            raise PermissionDenied
        now = timezone.now()
        context = {"form": form}
        if "show" in request.POST:
            context = intake_context(form, now=now)
        elif request.method == "POST":
            job = sign_described(form, now=now, by=request.user)
            if job is not None:
                hours = sum(phase.planned_hours for phase in job.phases.all())
                messages.success(request, f"Job {job.number} is signed: {hours:,.0f} labor hours.")
                for caution in building_of(job).cautions():
                    messages.warning(request, caution.message)
                plan_again(request, reason=f"job {job.number} is new")
                return redirect("admin:jobs_job_change", job.pk)
        context |= {
            **self.admin_site.each_context(request),
            "opts": self.opts,
            "groups": grouped(form),
            **told,
        }
        return TemplateResponse(request, "admin/jobs/job/intake.html", context)

    def start_dates(self, request: HttpRequest) -> HttpResponse:
        """Show when a building that is not sold yet could start and finish."""
        if not self.has_view_permission(request):
            raise PermissionDenied
        context = {
            **self.admin_site.each_context(request),
            "title": "Start dates",
            "opts": self.opts,
            **start_dates_context(request.GET, now=timezone.now()),
        }
        return TemplateResponse(request, "admin/jobs/job/start_dates.html", context)

    def holds(self, request: HttpRequest) -> HttpResponse:
        """Show what all open jobs wait for."""
        if not self.has_view_permission(request):
            raise PermissionDenied
        context = {
            **self.admin_site.each_context(request),
            "opts": self.opts,
            **holds_context(now=timezone.now()),
        }
        return TemplateResponse(request, "admin/jobs/job/holds.html", context)

    def get_fieldsets(self, request: HttpRequest, obj: Job | None = None) -> Any:
        """Return the fields; of a stored job folded away, so that its life fits on one screen."""
        if obj is None:
            return FIELDSETS
        return tuple(
            (name or "Number, state and contract", {**options, "classes": ("collapse",)})
            for name, options in FIELDSETS
        )

    def get_inlines(self, request: HttpRequest, obj: Job | None) -> Any:
        """Return the inlines: a new job has no phases to show."""
        return inlines_for(obj)

    def get_inline_instances(self, request: HttpRequest, obj: Job | None = None) -> list[Any]:
        """Return the inlines; those of a stored job folded away like its fields."""
        inlines = super().get_inline_instances(request, obj)
        for inline in inlines if obj is not None else ():
            inline.classes = ["collapse"]
        return inlines

    def render_change_form(
        self, request: HttpRequest, context: dict[str, Any], *args: Any, **kwargs: Any
    ) -> HttpResponse:
        """Draw the form, each group unfolded in which a field is wrong."""
        # The stock admin does so too, but does not see fields that share a line with others.
        shown = context["adminform"]
        shown.fieldsets = [
            (name, {**options, "classes": ()})
            if set(flatten(options["fields"])) & set(shown.form.errors)
            else (name, options)
            for name, options in shown.fieldsets
        ]
        return super().render_change_form(request, context, *args, **kwargs)

    @admin.display(description="county", ordering="site_county")
    def county(self, job: Job) -> str:
        """Return the county, without the word that every county has."""
        return job.site_county.removesuffix(" County")

    @admin.display(description="building", ordering="use")
    def building(self, job: Job) -> str:
        """Return what is built, in words."""
        return building_words(job)

    @admin.display(description="stage")
    def stage(self, job: Job) -> str:
        """Return the phase it is in, what it waits for, or why it has no dates."""
        if job.no_dates_because:
            return f"Waits: {job.no_dates_because}"
        return job_progress.stage_of(job)

    @admin.display(description="planned", ordering="planned_start_at")
    def planned(self, job: Job) -> str:
        """Return first and last day in the published plan."""
        if job.planned_start_at is None:
            return "–"
        return f"{short_day(job.planned_start_at)} – {short_day(job.planned_finish_at)}"

    @admin.display(description="promised", ordering="promised_on")
    def promised(self, job: Job) -> str:
        """Return the promise."""
        return short_day(job.promised_on)

    @admin.display(description="late or early")
    def lateness(self, job: Job) -> str:
        """Return how many days late or early, in words."""
        if job.status == Job.Status.DONE:
            return lateness_words(job.completed_on, job.promised_on)
        return lateness_words(local_date(job.planned_finish_at), job.promised_on)

    def save_related(
        self,
        request: HttpRequest,
        form: ModelForm,
        formsets: list[BaseModelFormSet],
        change: bool,
    ) -> None:
        """Save the rows, bring the phases in step, tell what is unusual, and plan again."""
        super().save_related(request, form, formsets, change)
        job = Job.objects.select_related("permit__authority").get(pk=form.instance.pk)
        intake.refresh_phases(job=job)
        for caution in building_of(job).cautions():
            self.message_user(request, caution.message, messages.WARNING)
        if form.has_changed() or any(rows.has_changed() for rows in formsets):
            told = f"job {job.number} is {'changed' if change else 'new'}"
            transaction.on_commit(partial(plan_again, request, reason=told))

    def changeform_view(
        self,
        request: HttpRequest,
        object_id: str | None = None,
        form_url: str = "",
        extra_context: dict[str, Any] | None = None,
    ) -> HttpResponse:
        """Answer the form; if someone stored the same number meanwhile, let the form say so."""
        try:
            return super().changeform_view(request, object_id, form_url, extra_context)
        except IntegrityError:
            # Between the form's check and the insert another one was stored. All is rolled back;
            # now the check sees it, and what was typed is shown again with the message.
            return super().changeform_view(request, object_id, form_url, extra_context)

    def change_view(
        self,
        request: HttpRequest,
        object_id: str,
        form_url: str = "",
        extra_context: dict[str, Any] | None = None,
    ) -> HttpResponse:
        """Show the job with its drawing, take-off, hours and dates."""

        @cache
        def stored() -> Job | None:
            return self.get_object(request, object_id)

        def life() -> Life | None:
            job = stored()
            return life_of(job, now=timezone.now()) if job else None

        shown = SimpleLazyObject(life)

        def panel() -> Panel | None:
            job = stored()
            return panel_of(job, shown.dates) if job else None

        # Read only when the page is drawn: not for a change that is saved or for someone refused.
        def told() -> ToldOfJob | None:
            job = stored()
            return told_of(job, now=timezone.now()) if job else None

        def slipped() -> SlipsOfJob | None:
            job = stored()
            return slips_of(job) if job else None

        context = {
            **(extra_context or {}),
            "life": shown,
            "today": timezone.localdate(),
            "panel": SimpleLazyObject(panel),
            "slipped": SimpleLazyObject(slipped),
            "told": SimpleLazyObject(told),
        }
        return super().change_view(request, object_id, form_url, context)
