"""Rows that the board sets by hand: people lent and time set aside, with the record of moves."""

from __future__ import annotations

from typing import Any

from django.contrib import admin
from django.http import HttpRequest

from jobs.admin.recording import RecordsChanges
from jobs.models import BoardMove, LentPeople, SetAside


@admin.register(LentPeople)
class LentPeopleAdmin(RecordsChanges):
    """Who works with another crew, and when."""

    list_display = ("from_crew", "to_crew", "people", "first_day", "last_day", "note")
    list_filter = ("from_crew", "to_crew")
    list_select_related = ("from_crew", "to_crew")
    ordering = ("-last_day", "id")


@admin.register(SetAside)
class SetAsideAdmin(RecordsChanges):
    """Shop days, callback visits and other work of crews."""

    list_display = ("crew", "kind", "starts_at", "ends_at", "job", "note")
    list_filter = ("kind", "crew")
    list_select_related = ("crew", "job")
    autocomplete_fields = ("job",)
    ordering = ("-starts_at", "id")


@admin.register(BoardMove)
class BoardMoveAdmin(admin.ModelAdmin):
    """What was moved by hand: to be read here, and undone on the board."""

    list_display = ("made_at", "by", "kind", "words", "undone_at", "undone_by")
    list_filter = ("kind",)
    list_select_related = ("by", "undone_by")
    search_fields = ("words",)
    ordering = ("-made_at", "-id")
    fields = ("made_at", "by", "kind", "words", "plan", "undone_at", "undone_by")

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Moves are made on the board."""
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """A record is not changed."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """A record is not taken away."""
        return False
