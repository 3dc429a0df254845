"""What a job's page holds below the building: doors, permit, tickets, deliveries, phases."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.db.models import QuerySet
from django.forms.models import BaseInlineFormSet
from django.http import HttpRequest
from django.urls import reverse
from django.utils.html import format_html

from inspections.models import LocateTicket, Permit
from jobs.admin.words import day
from jobs.forms import (
    DeliveryForm,
    LabeledRows,
    LeanToRows,
    NamedErrors,
    OpeningRows,
    RowForm,
)
from jobs.models import Delivery, Job, LeanTo, Opening, Phase


class OpeningInline(admin.TabularInline):
    """Doors and windows."""

    model = Opening
    form = RowForm
    formset = OpeningRows
    extra = 0


class LeanToInline(admin.TabularInline):
    """Lean-tos."""

    model = LeanTo
    form = RowForm
    formset = LeanToRows
    extra = 0


class OnePermit(BaseInlineFormSet):
    """Exactly one permit row: it says which authority a job is under."""

    def _construct_form(self, i: int, **kwargs: Any) -> Any:
        form = super()._construct_form(i, **kwargs)
        form.empty_permitted = False
        form.fields["authority"].error_messages["required"] = (
            "Choose the authority of the job's county; tick exempt if it asks for no permit."
        )
        return form


class PermitInline(admin.StackedInline):
    """The authority and where the permit stands."""

    model = Permit
    form = NamedErrors
    formset = OnePermit
    extra = 0
    min_num = 1
    max_num = 1
    can_delete = False
    autocomplete_fields = ("authority",)
    verbose_name = "authority and permit"
    fields = (
        ("authority", "is_exempt", "number"),
        ("drawings_received_on", "applied_on", "expected_on", "issued_on"),
    )


class LocateTicketInline(admin.TabularInline):
    """Buried-line notices of the site."""

    model = LocateTicket
    form = NamedErrors
    formset = LabeledRows
    extra = 0
    fields = ("number", "called_on", "dig_from", "expires_on", "called_by", "marks_seen_on")
    verbose_name_plural = "locate tickets: no digging without one that is alive on the day"


class DeliveryInline(admin.TabularInline):
    """Material that phases wait for; the rows come with the building."""

    model = Delivery
    form = DeliveryForm
    formset = LabeledRows
    extra = 0

    def get_queryset(self, request: HttpRequest) -> QuerySet[Delivery]:
        """Return the deliveries with the job whose number names them."""
        return super().get_queryset(request).select_related("job")


class PhaseInline(admin.TabularInline):
    """The phases, made from the building; the office may set hours and pin."""

    model = Phase
    form = NamedErrors
    formset = LabeledRows
    extra = 0
    max_num = 0
    can_delete = False
    ordering = ("sequence", "id")
    fields = ("phase", "labor_hours", "office_hours", "state", "pin")
    readonly_fields = ("phase", "labor_hours", "state", "pin")

    def get_queryset(self, request: HttpRequest) -> QuerySet[Phase]:
        """Return the phases with the crews that a row shows."""
        phases = super().get_queryset(request).exclude(status=Phase.Status.DROPPED)
        return phases.select_related("job", "crew", "pinned_crew")

    @admin.display(description="phase")
    def phase(self, phase: Phase) -> str:
        """Return the phase's name, as a link to its own page."""
        if phase.pk is None:
            return "–"
        address = reverse("admin:jobs_phase_change", args=[phase.pk])
        return format_html('<a href="{}">{}</a>', address, phase.get_code_display())

    @admin.display(description="state")
    def state(self, phase: Phase) -> str:
        """Return the status with crew and share done."""
        words = phase.get_status_display()
        if phase.crew:
            words += f", {phase.crew}"
        if phase.status == Phase.Status.UNDER_WAY:
            words += f", {phase.share_done:.0%} done"
        return words

    @admin.display(description="pinned to")
    def pin(self, phase: Phase) -> str:
        """Return the pin, as a link to change it; the empty row of the form has none."""
        if phase.pk is None:
            return "–"
        pinned = f"{phase.pinned_crew or 'any crew'}, {day(phase.pinned_start_at)}"
        return format_html(
            '<a href="{}" aria-label="Pin {}">{}</a>',
            reverse("admin:jobs_phase_pin", args=[phase.pk]),
            phase.get_code_display(),
            pinned if phase.pinned_start_at else "pin",
        )


JOB_INLINES = (
    OpeningInline,
    LeanToInline,
    PermitInline,
    LocateTicketInline,
    DeliveryInline,
    PhaseInline,
)
INLINES_OF_NEW_JOB = tuple(inline for inline in JOB_INLINES if inline.model is not Phase)


def inlines_for(job: Job | None) -> tuple[type[admin.options.InlineModelAdmin], ...]:
    """Return the inlines of a job's page; a new job has no phases yet."""
    return INLINES_OF_NEW_JOB if job is None else JOB_INLINES
