"""Who gets in: tokens of programs, and passwords that did not fit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from django.contrib import admin, messages
from django.shortcuts import redirect
from django.utils import timezone
from django.utils.html import format_html

from jobs.models import ApiToken, FailedSignIn
from jobs.services import api_tokens

if TYPE_CHECKING:
    from django.contrib.auth.models import User
    from django.db.models import QuerySet
    from django.forms import ModelForm
    from django.http import HttpRequest, HttpResponse


@admin.register(ApiToken)
class ApiTokenAdmin(admin.ModelAdmin):
    """One's own tokens; a superuser sees everyone's."""

    list_display = ("name", "user", "made_at", "last_used_at", "revoked_at")
    list_select_related = ("user",)
    ordering = ("revoked_at", "-id")
    fields = ("name", "user", "made_at", "last_used_at", "revoked_at")
    readonly_fields = ("user", "made_at", "last_used_at", "revoked_at")
    actions = ("revoke",)

    def get_queryset(self, request: HttpRequest) -> QuerySet[ApiToken]:
        """Return the tokens that stand for this person: nobody else's are theirs to revoke."""
        rows = super().get_queryset(request)
        return rows if request.user.is_superuser else rows.filter(user=request.user)

    def get_fields(self, request: HttpRequest, obj: ApiToken | None = None) -> list[str]:
        """Return what is asked for a new token: what it is for."""
        return ["name"] if obj is None else list(self.fields or ())

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Refuse deletion: a revoked token still tells who could read what, and until when."""
        return False

    def save_model(
        self, request: HttpRequest, obj: ApiToken, form: ModelForm, change: bool
    ) -> None:
        """Make the token for the person who asks, and show its key this once."""
        if change:
            obj.save(update_fields=["name"])
            return
        made, key = api_tokens.make_token(
            user=self._person(request), name=obj.name, now=timezone.now()
        )
        obj.pk = made.pk
        obj.refresh_from_db()
        words = "Copy the key of {} now; it is shown only this once: {}"
        self.message_user(request, format_html(words, made.name, key), messages.WARNING)

    def response_add(
        self, request: HttpRequest, obj: ApiToken, post_url_continue: str | None = None
    ) -> HttpResponse:
        """Go to the list, without the words that would bury the key."""
        return redirect("admin:jobs_apitoken_changelist")

    @admin.action(description="Revoke", permissions=["change"])
    def revoke(self, request: HttpRequest, queryset: QuerySet[ApiToken]) -> None:
        """Let the chosen tokens open nothing any more."""
        for token in queryset:
            api_tokens.revoke(token=token, now=timezone.now())
            self.log_change(request, token, "Revoked.")
            self.message_user(request, f"{token}: opens nothing any more.", messages.SUCCESS)

    def _person(self, request: HttpRequest) -> User:
        return request.user  # type: ignore[return-value]  # the admin lets no stranger in


@admin.register(FailedSignIn)
class FailedSignInAdmin(admin.ModelAdmin):
    """Passwords that did not fit in the last day; deleting them lets the person try again."""

    list_display = ("failed_at", "username", "address")
    search_fields = ("username", "address")
    ordering = ("-failed_at",)

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Refuse rows by hand."""
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Refuse changes: a row is what happened."""
        return False
