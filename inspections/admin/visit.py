"""The office's page of inspections."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.db.models import QuerySet
from django.http import HttpRequest

from contractor.trade.phases import INSPECTIONS, PHASE_TABLE
from inspections.admin.desk import DeskPages
from inspections.models import Inspection
from inspections.services.visits import begin_record
from jobs.admin.words import day, span
from jobs.forms import NamedErrors
from jobs.models import Job, Phase


class InspectionKindFilter(admin.SimpleListFilter):
    """Inspections by which one it is; crew phases are not offered."""

    title = "inspection"
    parameter_name = "kind"

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the inspections that authorities make."""
        return [(k.code, k.label) for k in PHASE_TABLE.values() if k.code in INSPECTIONS]

    def queryset(
        self, request: HttpRequest, queryset: QuerySet[Inspection]
    ) -> QuerySet[Inspection]:
        """Return the inspections of the chosen kind."""
        return queryset.filter(phase__code=self.value()) if self.value() else queryset


# What the desk enters, each as a line of the visit's record.
OUTCOME_FIELDS = ("status", "decided_at", "released", "released_share")


@admin.register(Inspection)
class InspectionAdmin(DeskPages):
    """
    Visits asked for, confirmed and made; only the desk changes them, so that all is on record.

    A visit that the plan does not know of, or that was asked for before today, is added here.
    """

    form = NamedErrors
    list_display = ("job", "kind", "status", "visit", "authority", "requested", "note")
    list_filter = ("status", InspectionKindFilter, "phase__job__permit__authority")
    list_select_related = ("phase__job__permit__authority",)
    search_fields = ("phase__job__number", "phase__job__buyer_name", "note")
    autocomplete_fields = ("phase",)
    date_hierarchy = "requested_at"
    ordering = ("-requested_at", "-id")
    fields = ("phase", "requested_at", ("visit_from", "visit_until"), "note", *OUTCOME_FIELDS)

    @admin.display(description="job", ordering="phase__job__number")
    def job(self, inspection: Inspection) -> Job:
        """Return the job."""
        return inspection.phase.job

    @admin.display(description="inspection", ordering="phase__code")
    def kind(self, inspection: Inspection) -> str:
        """Return which inspection it is."""
        return inspection.phase.get_code_display()

    @admin.display(description="visit", ordering="visit_from")
    def visit(self, inspection: Inspection) -> str:
        """Return the window of the visit."""
        return span(inspection.visit_from, inspection.visit_until)

    @admin.display(description="asked", ordering="requested_at")
    def requested(self, inspection: Inspection) -> str:
        """Return the day on which it was asked for."""
        return day(inspection.requested_at)

    @admin.display(description="authority")
    def authority(self, inspection: Inspection) -> str:
        """Return who inspects."""
        permit = getattr(inspection.phase.job, "permit", None)
        return str(permit.authority) if permit else "–"

    def get_readonly_fields(
        self, request: HttpRequest, obj: Inspection | None = None
    ) -> tuple[str, ...]:
        """Return all fields of a stored visit, and of a new one what the desk enters."""
        if obj is None:
            return OUTCOME_FIELDS
        return ("phase", "requested_at", "visit_from", "visit_until", "note", *OUTCOME_FIELDS)

    def save_model(self, request: HttpRequest, obj: Inspection, form: Any, change: bool) -> None:
        """Store a new visit with the first line of its record."""
        super().save_model(request, obj, form, change)
        if not change:
            user: Any = request.user
            begin_record(obj, by=user)

    def has_delete_permission(self, request: HttpRequest, obj: Inspection | None = None) -> bool:
        """Refuse deletion: what was said of a visit is never lost."""
        return False

    def formfield_for_foreignkey(self, db_field: Any, request: HttpRequest, **kwargs: Any) -> Any:
        """Offer only phases that an authority performs."""
        if db_field.name == "phase":
            kwargs["queryset"] = Phase.objects.filter(code__in=INSPECTIONS)
        return super().formfield_for_foreignkey(db_field, request, **kwargs)
