"""The office's page of permits."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.db.models import F, Q, QuerySet
from django.http import HttpRequest

from inspections.models import Permit
from jobs.admin.back import ComesBack
from jobs.admin.recording import RecordsChanges
from jobs.forms import NamedErrors


class PermitStateFilter(admin.SimpleListFilter):
    """Permits by where they stand."""

    title = "state"
    parameter_name = "state"
    states = {
        "to_apply": Q(is_exempt=False, issued_on=None, applied_on=None),
        "applied": Q(is_exempt=False, issued_on=None, applied_on__isnull=False),
        "issued": Q(is_exempt=False, issued_on__isnull=False),
        "exempt": Q(is_exempt=True),
    }

    def lookups(self, request: HttpRequest, model_admin: Any) -> list[tuple[str, str]]:
        """Return the states."""
        return [
            ("to_apply", "Not applied for"),
            ("applied", "Applied for"),
            ("issued", "Issued"),
            ("exempt", "Exempt"),
        ]

    def queryset(self, request: HttpRequest, queryset: QuerySet[Permit]) -> QuerySet[Permit]:
        """Return the permits of the chosen state."""
        chosen = self.states.get(self.value() or "")
        return queryset if chosen is None else queryset.filter(chosen)


@admin.register(Permit)
class PermitAdmin(ComesBack, RecordsChanges):
    """Permits: applied, expected, issued."""

    form = NamedErrors
    list_display = (
        "job",
        "authority",
        "number",
        "is_exempt",
        "applied_on",
        "expected_on",
        "issued_on",
    )
    list_filter = (PermitStateFilter, "authority")
    list_select_related = ("job", "authority")
    search_fields = ("number", "job__number", "job__buyer_name")
    autocomplete_fields = ("job", "authority")
    ordering = (F("issued_on").desc(nulls_first=True), F("expected_on").asc(nulls_last=True), "id")

    def has_delete_permission(self, request: HttpRequest, obj: Permit | None = None) -> bool:
        """Refuse deletion: every job names its authority."""
        return False
