"""The office's page of a job's site: grade shots, what they say, and letting the site be."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.template.response import TemplateResponse
from django.urls import URLPattern, path
from django.utils import timezone
from django.utils.safestring import mark_safe

from contractor.trade.errors import SpecError
from contractor.trade.site import CORNERS, ShotKind, ShotPlace, site_grade
from contractor.trade.units import number_text
from inspections.models import SiteReadiness, SiteShot
from inspections.selectors.site import SiteState, site_of
from inspections.services import site
from jobs.admin.replanning import plan_again
from jobs.admin.words import day
from jobs.drawing.site_plan import corner_lines, site_plan_svg
from jobs.forms import NamedErrors
from jobs.models import Job
from jobs.selectors.buildings import building_of

OF_JOB = "admin:inspections_siteshot_of_job"


class ShotsForm(forms.Form):
    """One set of shots: the four corners, and the center where it was shot."""

    taken_on = forms.DateField(label="Shot on", widget=forms.DateInput(attrs={"type": "date"}))
    taken_by = forms.CharField(label="By", max_length=60, required=False)
    kind = forms.ChoiceField(
        label="Numbers are",
        choices=[
            (ShotKind.ROD.value, "Rod readings: larger is lower"),
            (ShotKind.HEIGHT.value, "Heights: larger is higher"),
        ],
    )

    def __init__(self, *args: Any, job: Job, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.job = job
        for place in ShotPlace:
            self.fields[place.value] = forms.FloatField(
                label=f"{place.label} (ft)", required=place in CORNERS
            )

    def clean_taken_on(self) -> Any:
        """Refuse shots that are still to be taken."""
        taken_on = self.cleaned_data["taken_on"]
        if taken_on > timezone.localdate():
            raise forms.ValidationError(
                f"{taken_on} is still to come. Enter today or an earlier day."
            )
        return taken_on

    def clean(self) -> dict[str, Any]:
        """Refuse readings that no rod shows, and more fall than any site has."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if self.errors:
            return cleaned
        cleaned["readings"] = {
            place: cleaned[place.value] for place in ShotPlace if cleaned[place.value] is not None
        }
        try:
            site_grade(
                cleaned["readings"],
                kind=ShotKind(cleaned["kind"]),
                width_ft=self.job.width_ft,
                length_ft=self.job.length_ft,
                post_length_ft=self.job.eave_ft,
                slab_in=self.job.slab_in,
            )
        except ValueError as error:
            raise forms.ValidationError(str(error)) from error
        return cleaned


class ReadinessForm(NamedErrors):
    """How much fall the building takes, and when the site should be graded."""

    class Meta:
        model = SiteReadiness
        fields = ("most_fall_in", "expected_on")
        widgets = {"expected_on": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")}


@admin.register(SiteShot)
class SiteShotAdmin(admin.ModelAdmin):
    """Grade shots, and the page of one job's site."""

    form = NamedErrors
    list_display = ("job", "place", "reading_ft", "kind", "taken_on", "taken_by")
    list_filter = ("kind", "taken_on")
    list_select_related = ("job",)
    search_fields = ("job__number", "job__buyer_name")
    autocomplete_fields = ("job",)
    ordering = ("-taken_on", "job", "id")

    def get_urls(self) -> list[URLPattern]:
        """Return the stock addresses and those of a job's site."""
        view = self.admin_site.admin_view
        of_job = "job/<int:job_id>/"
        return [
            path(of_job, view(self.of_job), name="inspections_siteshot_of_job"),
            path(f"{of_job}ready/", view(self.ready), name="inspections_siteshot_ready"),
            path(f"{of_job}release/", view(self.release), name="inspections_siteshot_release"),
            path(f"{of_job}hold/", view(self.hold), name="inspections_siteshot_hold"),
            *super().get_urls(),
        ]

    def of_job(self, request: HttpRequest, job_id: int) -> HttpResponse:
        """Show a job's site, and store a set of shots."""
        if not self.has_view_permission(request):
            raise PermissionDenied
        job = _job(job_id)
        if request.method != "POST":
            return self._page(request, job)
        if not self.has_add_permission(request):
            raise PermissionDenied
        form = ShotsForm(request.POST, job=job)
        if not form.is_valid():
            return self._page(request, job, shots=form)
        site.record_shots(
            job=job,
            taken_on=form.cleaned_data["taken_on"],
            kind=form.cleaned_data["kind"],
            readings_ft=form.cleaned_data["readings"],
            taken_by=form.cleaned_data["taken_by"],
        )
        return self._stored(request, job, f"the shots of {day(form.cleaned_data['taken_on'])}")

    def ready(self, request: HttpRequest, job_id: int) -> HttpResponse:
        """Store how much fall the building takes, and when the site should be graded."""
        job = self._posted_job(request, job_id)
        form = ReadinessForm(request.POST, instance=getattr(job, "site_readiness", None))
        if not form.is_valid():
            return self._page(request, job, readiness=form)
        site.set_expectations(job=job, **form.cleaned_data)
        return self._stored(request, job, "what the building takes")

    def release(self, request: HttpRequest, job_id: int) -> HttpResponse:
        """Let the site be as it is, signed by who is signed in."""
        job = self._posted_job(request, job_id)
        try:
            site.release(
                job=job, by=request.user, why=request.POST.get("why", ""), now=timezone.now()
            )
        except site.ReleaseRefused as refused:
            messages.error(request, str(refused))
            return redirect(OF_JOB, job.pk)
        return self._stored(request, job, "the release")

    def hold(self, request: HttpRequest, job_id: int) -> HttpResponse:
        """Take a release back."""
        job = self._posted_job(request, job_id)
        site.take_back_release(job=job)
        return self._stored(request, job, "the site is held again")

    def _posted_job(self, request: HttpRequest, job_id: int) -> Job:
        if not self.has_change_permission(request) or request.method != "POST":
            raise PermissionDenied
        return _job(job_id)

    def _stored(self, request: HttpRequest, job: Job, what: str) -> HttpResponse:
        messages.success(request, f"Stored: {what}.")
        plan_again(request, reason=f"site of job {job.number}")
        return redirect(OF_JOB, job.pk)

    def _page(
        self,
        request: HttpRequest,
        job: Job,
        *,
        shots: ShotsForm | None = None,
        readiness: ReadinessForm | None = None,
    ) -> HttpResponse:
        context = {
            **self.admin_site.each_context(request),
            "opts": self.opts,
            "title": f"Site of {job}",
            "job": job,
            "may_change": self.has_change_permission(request),
            "shots": shots or ShotsForm(job=job, initial={"taken_on": timezone.localdate()}),
            "readiness": readiness or ReadinessForm(instance=getattr(job, "site_readiness", None)),
            **site_section(job),
        }
        return TemplateResponse(request, "admin/inspections/siteshot/job.html", context)


def _job(job_id: int) -> Job:
    jobs = Job.objects.select_related("site_readiness__released_by").prefetch_related("site_shots")
    job = jobs.filter(pk=job_id).first()
    if job is None:
        raise Http404("There is no such job.")
    return job


def site_section(job: Job) -> dict[str, Any]:
    """Return what pages show of a job's site."""
    state = site_of(job)
    if state is None or state.grade is None:
        return {"site": state}
    grade = state.grade
    drawing = site_plan_svg(
        grade, name=f"site-{job.pk}", width_ft=job.width_ft, length_ft=job.length_ft
    )
    return {
        "site": state,
        # The drawing escapes every text it is given.
        "drawing": mark_safe(drawing),
        "corners": [
            (corner.place.label, *corner_lines(grade, index))
            for index, corner in enumerate(grade.corners)
        ],
        "fall": number_text(grade.fall_in, places=1),
        "cut_cy": number_text(grade.cut_cy, places=1),
        "fill_cy": number_text(grade.fill_cy, places=1),
        "longest_post": _longest_post(job, state),
    }


def _longest_post(job: Job, state: SiteState) -> str:
    """Return a caution where a corner needs a longer post than the building was taken off with."""
    try:
        drawn_ft = building_of(job).post_length_ft
    except SpecError:
        return ""
    longest = max(state.grade.corners, key=lambda corner: corner.post_ft) if state.grade else None
    if longest is None or longest.post_ft - drawn_ft < 0.5:
        return ""
    return (
        f"The post at {longest.place.label.lower()} is {(longest.post_ft - drawn_ft) * 12:.0f} in "
        "longer than the take-off has it. Check the posts that are ordered."
    )
