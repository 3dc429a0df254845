"""The page of one phase: what has been done on it, and its pin."""

from __future__ import annotations

from functools import partial
from typing import Any

from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.db import transaction
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.template.response import TemplateResponse
from django.urls import URLPattern, path
from django.utils import timezone

from contractor.trade.errors import SpecError
from crews.selectors import NoFirm
from jobs.admin.recording import RecordsChanges
from jobs.admin.replanning import look_for_better, plan_again
from jobs.admin.words import span
from jobs.forms import PhaseForm, PinForm
from jobs.models import Phase
from jobs.services import pinning, planning, reporting

# What a field report tells as well; kept as a report, so that nothing reported is overwritten.
WORK = frozenset(
    (
        *("status", "crew", "started_at", "done_at", "share_done", "reported_hours"),
        *("stopped_by", "stopped_until"),
    )
)


@admin.register(Phase)
class PhaseAdmin(RecordsChanges):
    """Phases are made from the building; here the office says what happened on the site."""

    form = PhaseForm
    list_display = ("job", "named", "status", "hours", "crew", "pinned_to")
    list_filter = ("status", "code", "crew")
    list_select_related = ("job", "crew", "pinned_crew")
    search_fields = ("job__number", "job__buyer_name")
    autocomplete_fields = ("crew",)
    ordering = ("job__number", "sequence", "id")
    readonly_fields = ("job", "code", "labor_hours", "labor_arithmetic", "share_at", "pinned_to")
    fieldsets = (
        (None, {"fields": (("job", "code"),)}),
        ("Hours", {"fields": ("labor_hours", "labor_arithmetic", "office_hours")}),
        (
            "Work",
            {
                "fields": (
                    ("status", "crew"),
                    "started_at",
                    "done_at",
                    ("share_done", "share_at"),
                    "reported_hours",
                    ("stopped_by", "stopped_until"),
                )
            },
        ),
        ("Pin", {"fields": ("pinned_to",)}),
    )

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Refuse new phases by hand: the building says which there are."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Refuse to take a phase away by hand; changing the building does it."""
        return False

    def save_model(self, request: HttpRequest, obj: Phase, form: Any, change: bool) -> None:
        """Keep what was entered of the work as a report, save the rest, make a draft at once."""
        if WORK & set(form.changed_data):
            reporting.set_by_office(phase=obj, now=timezone.now(), by=request.user)
        super().save_model(request, obj, form, change)
        if form.changed_data:
            told = f"{obj.get_code_display()} of {obj.job.number} is {_state_words(obj)}"
            transaction.on_commit(partial(plan_again, request, reason=told))

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Let phases that the building no longer has be looked at only."""
        dropped = obj is not None and obj.status == Phase.Status.DROPPED
        return not dropped and super().has_change_permission(request, obj)

    def formfield_for_choice_field(self, db_field: Any, request: HttpRequest, **kwargs: Any) -> Any:
        """Offer the states that work can be in; leaving a phase out is the building's doing."""
        if db_field.name == "status":
            kwargs["choices"] = [
                choice for choice in Phase.Status.choices if choice[0] != Phase.Status.DROPPED
            ]
        return super().formfield_for_choice_field(db_field, request, **kwargs)

    def get_queryset(self, request: HttpRequest) -> QuerySet[Phase]:
        """Return phases with the rows that the page names."""
        return super().get_queryset(request).select_related("job", "crew", "pinned_crew")

    def get_urls(self) -> list[URLPattern]:
        """Return the stock addresses and the pin page."""
        pin = path(
            "<int:phase_id>/pin/", self.admin_site.admin_view(self.pin), name="jobs_phase_pin"
        )
        return [pin, *super().get_urls()]

    @admin.display(description="phase", ordering="code")
    def named(self, phase: Phase) -> str:
        """Return the phase's name, and which part of it."""
        return phase.get_code_display()

    @admin.display(description="hours", ordering="labor_hours")
    def hours(self, phase: Phase) -> str:
        """Return the hours the plan uses, and whose figure they are."""
        whose = "" if phase.office_hours is None else " (office)"
        return f"{phase.planned_hours:.1f}{whose}"

    @admin.display(description="pinned to")
    def pinned_to(self, phase: Phase) -> str:
        """Return the pinned crew and start."""
        if phase.pinned_start_at is None:
            return "–"
        start = timezone.localtime(phase.pinned_start_at)
        return f"{phase.pinned_crew or 'any crew'}, {start:%a %b %d %Y, %H:%M}"

    def pin(self, request: HttpRequest, phase_id: int) -> HttpResponse:
        """Pin a phase to a crew and a start, or take the pin away."""
        if not self.has_change_permission(request):
            raise PermissionDenied
        phase = self.get_queryset(request).filter(pk=phase_id).first()
        if phase is None:
            raise Http404(f"No phase {phase_id}")
        if not self.has_change_permission(request, phase):
            raise PermissionDenied
        form = PinForm(request.POST if "pin" in request.POST else None, phase=phase)
        if "unpin" in request.POST:
            pinning.unpin(phase_id=phase.pk, now=timezone.now(), by=request.user)
            self.message_user(request, f"{phase.get_code_display()} is free again.")
            freed = f"{phase.get_code_display()} of {phase.job.number} is free again"
            plan_again(request, reason=freed)
            return redirect("admin:jobs_job_change", phase.job_id)
        if form.is_bound and form.is_valid() and self._pinned(request, phase, form):
            self.message_user(request, f"{phase.get_code_display()} is pinned.", messages.SUCCESS)
            return redirect("admin:jobs_job_change", phase.job_id)
        context = {
            **self.admin_site.each_context(request),
            "title": f"Pin {phase.get_code_display().lower()} of job {phase.job.number}",
            "opts": self.opts,
            "original": phase,
            "form": form,
            "booking": _live_words(phase),
            "media": self.media,
        }
        return TemplateResponse(request, "admin/jobs/phase/pin.html", context)

    def _pinned(self, request: HttpRequest, phase: Phase, form: PinForm) -> bool:
        """Return whether the service took the pin; else its rule and the nearest date are shown."""
        crew = form.cleaned_data["crew"]
        try:
            wanted = pinning.pin(
                phase_id=phase.pk,
                crew_id=crew.pk if crew else None,
                starts_at=form.cleaned_data["starts_at"],
                now=timezone.now(),
                by=request.user,
            )
        except pinning.PinRefused as refusal:
            form.add_error("starts_at", str(refusal))
            return False
        except (planning.TooFarAheadError, NoFirm, SpecError) as reason:
            # The pin is tried on the whole open work, and that cannot be planned as it stands.
            form.add_error(None, f"No plan can be made with this pin: {reason}")
            return False
        look_for_better(request, wanted)
        return True


def _state_words(phase: Phase) -> str:
    if phase.status == Phase.Status.UNDER_WAY:
        return f"{phase.share_done:.0%} done"
    return phase.get_status_display().lower()


def _live_words(phase: Phase) -> str:
    booking = phase.bookings.filter(is_live=True).select_related("crew").first()
    if booking is None:
        return "not in the published plan"
    return f"{span(booking.starts_at, booking.ends_at)}, {booking.crew or 'no crew of ours'}"
