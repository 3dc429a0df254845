"""A record of what is changed in the admin, written in the transaction that changes it."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.db import transaction
from django.db.models import Model, QuerySet
from django.forms import BaseModelFormSet
from django.http import HttpRequest
from django.utils import timezone

from jobs.services.changes import Columns, columns_of, record_change, stored_columns


class RecordsChanges(admin.ModelAdmin):
    """An admin page that leaves a record of who changed what, from what to what."""

    def save_model(self, request: HttpRequest, obj: Model, form: Any, change: bool) -> None:
        """Save a row and record what is new in it."""
        before = stored_columns(obj) if change else None
        super().save_model(request, obj, form, change)
        self._record(request, obj, before)

    def delete_model(self, request: HttpRequest, obj: Model) -> None:
        """Record a row that is taken away, and take it away."""
        self._record(request, obj, columns_of(obj), is_removed=True)
        super().delete_model(request, obj)

    def delete_queryset(self, request: HttpRequest, queryset: QuerySet[Any]) -> None:
        """Record each row that is taken away, and take them away."""
        with transaction.atomic():
            for row in queryset:
                self._record(request, row, columns_of(row), is_removed=True)
            super().delete_queryset(request, queryset)

    def save_formset(
        self, request: HttpRequest, form: Any, formset: BaseModelFormSet, change: bool
    ) -> None:
        """Save the rows below a row and record what is new in them."""
        before = {
            row.instance.pk: stored_columns(row.instance)
            for row in formset.initial_forms
            if row.has_changed()
        }
        super().save_formset(request, form, formset, change)
        for row in formset.new_objects:
            self._record(request, row, None)
        for row, _ in formset.changed_objects:
            self._record(request, row, before.get(row.pk))
        for row in formset.deleted_objects:
            self._record(request, row, columns_of(row), is_removed=True)

    def _record(
        self,
        request: HttpRequest,
        row: Model,
        before: Columns | None,
        *,
        is_removed: bool = False,
    ) -> None:
        record_change(
            row=row, before=before, now=timezone.now(), by=request.user, is_removed=is_removed
        )
