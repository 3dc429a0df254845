"""The office's pages of pours, and of the strength that phases wait for."""

from __future__ import annotations

from functools import partial
from typing import Any

from django import forms
from django.contrib import admin, messages
from django.contrib.admin.views.main import ChangeList
from django.core.exceptions import PermissionDenied, ValidationError
from django.db import transaction
from django.db.models import QuerySet
from django.forms import ModelForm
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import URLPattern, path
from django.utils import timezone

from crews.selectors import NoFirm
from inspections.models import POURED_PHASES, Pour, PourReading, StrengthNeed
from inspections.selectors.cure_temps import Climate, Climates, climates_at
from inspections.selectors.pours import PourClock, pours_concrete, ready_moments, status_of
from inspections.services.pours import ReadingToComeError, record_reading
from jobs.admin.pour_sections import PourSection, moment_words, pour_section
from jobs.admin.replanning import plan_again
from jobs.forms import NamedErrors
from jobs.models import Job, Phase


class PourForm(NamedErrors):
    """A pour: the job's own phase must have concrete in it."""

    def clean(self) -> dict[str, Any]:
        """Refuse a pour of a phase that this building has without concrete."""
        cleaned = super().clean()
        phase = cleaned.get("phase")
        if phase is not None and not pours_concrete(phase):
            self.add_error("phase", "This building pours no concrete here. Choose another phase.")
        return cleaned


class ReadingForm(forms.Form):
    """One temperature, read now unless it is said when."""

    temp_degf = forms.FloatField(
        label="Temperature (°F)",
        error_messages={"invalid": "This is not a number. Write digits, like 48."},
    )
    of = forms.ChoiceField(label="Of", choices=PourReading.Of.choices)
    taken_at = forms.DateTimeField(
        label="Taken",
        required=False,
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
        help_text="Site time. Empty: now.",
    )


class ReadingInline(admin.TabularInline):
    """The readings of a pour."""

    model = PourReading
    form = NamedErrors
    extra = 0
    ordering = ("taken_at", "id")


@admin.register(Pour)
class PourAdmin(admin.ModelAdmin):
    """Concrete that was placed, and the temperatures read in it; each counts in the next draft."""

    form = PourForm
    inlines = (ReadingInline,)
    list_display = ("job", "phase_name", "part", "poured", "mix", "strength", "read")
    list_display_links = ("job", "phase_name")
    list_filter = ("phase__code", "cement")
    list_per_page = 50
    actions = None
    search_fields = ("phase__job__number", "phase__job__buyer_name", "part", "note")
    autocomplete_fields = ("phase",)
    date_hierarchy = "poured_at"
    ordering = ("-poured_at", "-id")
    fieldsets = (
        (None, {"fields": ("phase", "part", "poured_at")}),
        ("Mix", {"fields": (("mix_psi", "cement"), ("cured", "is_accelerated"))}),
        (
            "Temperature",
            {
                "description": "Never place on frozen ground. In the cold, keep young concrete "
                "from freezing and let it cool slowly.",
                "fields": (("placed_degf", "ground_degf"), "protected_until"),
            },
        ),
        ("Note", {"fields": ("note",)}),
    )

    def get_queryset(self, request: HttpRequest) -> QuerySet[Pour]:
        """Return the pours with what their strength is counted from."""
        pours = super().get_queryset(request).select_related("phase__job")
        return pours.prefetch_related("readings")

    def get_changelist_instance(self, request: HttpRequest) -> ChangeList:
        """Return the list, each pour with its clock; none before the firm is entered."""
        changelist = super().get_changelist_instance(request)
        climates = _climates()
        zone = timezone.get_default_timezone()
        changelist.result_list = list(changelist.result_list)
        for pour in changelist.result_list:
            climate = None if climates is None else climates.of(pour.phase.job)
            pour.clock = None if climate is None else PourClock(pour, climate=climate, zone=zone)
        return changelist

    def get_urls(self) -> list[URLPattern]:
        """Return the stock addresses and the one that takes a reading."""
        add = path(
            "<int:pour_id>/reading/",
            self.admin_site.admin_view(self.add_reading),
            name="inspections_pour_reading",
        )
        return [add, *super().get_urls()]

    def get_changeform_initial_data(self, request: HttpRequest) -> dict[str, Any]:
        """Propose the moment at which the phase was reported done."""
        initial = super().get_changeform_initial_data(request)
        asked = str(initial.get("phase", ""))
        phase = Phase.objects.filter(pk=asked).first() if asked.isdigit() else None
        if phase is not None and phase.done_at is not None:
            initial["poured_at"] = phase.done_at
        return initial

    def formfield_for_foreignkey(self, db_field: Any, request: HttpRequest, **kwargs: Any) -> Any:
        """Offer only phases that pour concrete."""
        if db_field.name == "phase":
            kwargs["queryset"] = Phase.objects.filter(code__in=POURED_PHASES)
        return super().formfield_for_foreignkey(db_field, request, **kwargs)

    def render_change_form(
        self, request: HttpRequest, context: dict[str, Any], *args: Any, **kwargs: Any
    ) -> HttpResponse:
        """Show the curve above the form, and a field for the next reading."""
        pour = kwargs.get("obj")
        if pour is not None:
            context["pour"] = _section(pour)
            if self.has_change_permission(request, pour):
                context.setdefault("reading_form", ReadingForm())
        return super().render_change_form(request, context, *args, **kwargs)

    def add_reading(self, request: HttpRequest, pour_id: int) -> HttpResponse:
        """Take one reading and plan again if it moves what waits."""
        if request.method != "POST" or not self.has_change_permission(request):
            raise PermissionDenied
        pour = self.get_queryset(request).filter(pk=pour_id).first()
        if pour is None:
            raise Http404(f"No pour {pour_id}")
        form = ReadingForm(request.POST)
        if form.is_valid() and self._recorded(request, pour, form):
            return redirect("admin:inspections_pour_change", pour.pk)
        return self.change_view_with(request, pour, form)

    def change_view_with(self, request: HttpRequest, pour: Pour, form: ReadingForm) -> HttpResponse:
        """Return the pour's page with a reading that was refused."""
        request.method = "GET"  # so that the pour's own form is drawn as stored, not read
        return self.change_view(request, str(pour.pk), extra_context={"reading_form": form})

    def _recorded(self, request: HttpRequest, pour: Pour, form: ReadingForm) -> bool:
        now = timezone.now()
        before = _ready(pour)
        try:
            reading = record_reading(
                pour_id=pour.pk,
                temp_degf=form.cleaned_data["temp_degf"],
                of=form.cleaned_data["of"],
                # To the minute, so that a second click within it is the same reading.
                taken_at=form.cleaned_data["taken_at"]
                or max(now.replace(second=0, microsecond=0), pour.poured_at),
                now=now,
            )
        except ReadingToComeError as reason:
            form.add_error("taken_at", str(reason))
            return False
        except ValidationError as refusal:
            for name, errors in refusal.message_dict.items():
                form.add_error(name if name in form.fields else None, errors)
            return False
        self.message_user(request, f"{reading} is stored.", messages.SUCCESS)
        _plan_again_if_moved(request, pour, before)
        return True

    def save_model(self, request: HttpRequest, obj: Pour, form: Any, change: bool) -> None:
        """Save; what the phases behind it waited for until now is kept to compare."""
        form.ready_before = _ready(Pour.objects.get(pk=obj.pk)) if change else ()
        super().save_model(request, obj, form, change)

    def save_related(
        self, request: HttpRequest, form: ModelForm, formsets: Any, change: bool
    ) -> None:
        """Save the readings, and make a draft at once if they move what waits."""
        super().save_related(request, form, formsets, change)
        pour = Pour.objects.get(pk=form.instance.pk)
        _plan_again_if_moved(request, pour, form.ready_before)

    def delete_model(self, request: HttpRequest, obj: Pour) -> None:
        """Delete a pour; what waits for it is planned again as if it were still to be told."""
        told = f"{obj.phase.get_code_display()} of {obj.phase.job.number}: a pour is taken out"
        super().delete_model(request, obj)
        transaction.on_commit(partial(plan_again, request, reason=told))

    @admin.display(description="job", ordering="phase__job__number")
    def job(self, pour: Pour) -> Job:
        """Return the job."""
        return pour.phase.job

    @admin.display(description="phase", ordering="phase__code")
    def phase_name(self, pour: Pour) -> str:
        """Return the phase that poured it."""
        return pour.phase.get_code_display()

    @admin.display(description="poured", ordering="poured_at")
    def poured(self, pour: Pour) -> str:
        """Return when it was placed."""
        return moment_words(pour.poured_at)

    @admin.display(description="mix", ordering="mix_psi")
    def mix(self, pour: Pour) -> str:
        """Return the ordered strength and the cement."""
        return f"{pour.mix_psi:,} psi, type {pour.cement}"

    @admin.display(description="strength now")
    def strength(self, pour: Pour) -> str:
        """Return the share of 28-day strength that it has now."""
        clock: PourClock | None = pour.clock  # type: ignore[attr-defined]
        return "–" if clock is None else f"{clock.share(clock.hours_at(timezone.now())):.0%}"

    @admin.display(description="readings")
    def read(self, pour: Pour) -> int:
        """Return how many temperatures have been read."""
        return len(pour.readings.all())


class StrengthNeedForm(NamedErrors):
    """A figure in place of the starter value, with whose it is."""


@admin.register(StrengthNeed)
class StrengthNeedAdmin(admin.ModelAdmin):
    """The strength that phases wait for, where it is not the starter value."""

    form = StrengthNeedForm
    list_display = (
        "following_phase",
        "poured_phase",
        "job_name",
        "strength_percent",
        "minimum_hours",
        "stated_by",
        "entered",
    )
    list_select_related = ("job", "entered_by")
    list_filter = ("poured_phase", "following_phase")
    search_fields = ("job__number", "stated_by")
    autocomplete_fields = ("job",)
    actions = None
    ordering = ("poured_phase", "following_phase", "job__number", "id")
    fields = (
        "job",
        ("poured_phase", "following_phase"),
        ("strength_percent", "minimum_hours"),
        "stated_by",
        "entered",
    )
    readonly_fields = ("entered",)

    def save_model(self, request: HttpRequest, obj: StrengthNeed, form: Any, change: bool) -> None:
        """Save with who entered it and when, and make a draft of it at once."""
        if form.changed_data or not change:
            obj.entered_by, obj.entered_at = request.user, timezone.now()  # type: ignore[assignment]
        super().save_model(request, obj, form, change)
        if form.changed_data or not change:
            told = f"{obj}: {obj.strength_percent:g} % by {obj.stated_by}"
            transaction.on_commit(partial(plan_again, request, reason=told))

    def delete_model(self, request: HttpRequest, obj: StrengthNeed) -> None:
        """Delete a figure, and make a draft with the one that takes its place."""
        super().delete_model(request, obj)
        told = f"{obj}: the starter value again"
        transaction.on_commit(partial(plan_again, request, reason=told))

    @admin.display(description="job", ordering="job__number")
    def job_name(self, need: StrengthNeed) -> str:
        """Return the job, or that it is for all."""
        return str(need.job) if need.job else "every other job"

    @admin.display(description="entered")
    def entered(self, need: StrengthNeed) -> str:
        """Return who entered it, and when."""
        if need.entered_at is None:
            return "–"
        return f"{need.entered_by or 'loaded'}, {moment_words(need.entered_at)}"


def _climates() -> Climates | None:
    """Return the climates of all sites, or None before the firm is entered."""
    try:
        return climates_at(timezone.now())
    except NoFirm:
        return None


def _climate(pour: Pour) -> Climate | None:
    climates = _climates()
    return None if climates is None else climates.of(pour.phase.job)


def _section(pour: Pour) -> PourSection | None:
    climate = _climate(pour)
    status = None if climate is None else status_of(pour, climate=climate)
    return None if status is None else pour_section(status, now=timezone.now())


def _ready(pour: Pour) -> tuple[Any, ...]:
    climate = _climate(pour)
    return () if climate is None else ready_moments(pour, climate=climate)


def _plan_again_if_moved(request: HttpRequest, pour: Pour, before: tuple[Any, ...]) -> None:
    """Make a draft at once, unless nothing that waits for the pour has another moment by it."""
    after = _ready(Pour.objects.get(pk=pour.pk))
    if after != before:
        told = f"{pour.phase.get_code_display()} of {pour.phase.job.number}: concrete as measured"
        transaction.on_commit(partial(plan_again, request, reason=told))
