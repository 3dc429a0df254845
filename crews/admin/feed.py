"""The office's page of calendar links."""

from typing import Any

from django.contrib import admin, messages
from django.db.models import QuerySet
from django.http import HttpRequest
from django.template.loader import render_to_string
from django.utils import timezone

from crews import services
from crews.admin.words import moment_words
from crews.models import FeedSubscription


@admin.register(FeedSubscription)
class FeedSubscriptionAdmin(admin.ModelAdmin):
    """Who reads which crew's calendar, and whether it still listens."""

    list_display = ("reader", "crew", "state", "last_fetched_at", "last_client", "created_at")
    list_filter = ("crew", ("revoked_at", admin.EmptyFieldListFilter))
    list_select_related = ("crew",)
    search_fields = ("reader", "crew__name")
    ordering = ("crew__name", "reader", "id")
    autocomplete_fields = ("crew",)
    actions = ("new_link", "revoke")

    def get_fields(self, request: HttpRequest, obj: FeedSubscription | None = None) -> list[str]:
        """Return the fields; the address only for those who may also replace it."""
        if obj is None:
            return ["crew", "reader"]
        shown = ["crew", "reader", "state", "created_at", "last_fetched_at", "last_client"]
        may_change = self.has_change_permission(request, obj)
        return [*shown[:2], "link", *shown[2:]] if may_change else shown

    def get_readonly_fields(
        self, request: HttpRequest, obj: FeedSubscription | None = None
    ) -> list[str]:
        """Return the fields that are not typed; a link never moves to another crew."""
        fixed = ["link", "state", "created_at", "last_fetched_at", "last_client"]
        return fixed if obj is None else ["crew", *fixed]

    def save_model(
        self, request: HttpRequest, obj: FeedSubscription, form: Any, change: bool
    ) -> None:
        """Make the link when a reader is added."""
        if change:
            obj.save(update_fields=["reader"])
            return
        made, _ = services.subscribe(crew=obj.crew, reader=obj.reader, now=timezone.now())
        obj.pk = made.pk
        obj.refresh_from_db()

    @admin.display(description="link")
    def link(self, subscription: FeedSubscription) -> str:
        """Return the address with the words on how to use it."""
        try:
            url = services.feed_url(subscription)
        except services.LinkClosedError as closed:
            return render_to_string("crews/link.html", {"closed": str(closed)})
        webcal_url = "webcal:" + url.partition(":")[2]
        return render_to_string("crews/link.html", {"url": url, "webcal_url": webcal_url})

    @admin.display(description="state", ordering="revoked_at")
    def state(self, subscription: FeedSubscription) -> str:
        """Return whether the link opens."""
        if subscription.revoked_at is None:
            return "Open"
        return f"Revoked {moment_words(subscription.revoked_at)}"

    @admin.action(description="New link (the old one stops working)", permissions=["change"])
    def new_link(self, request: HttpRequest, queryset: QuerySet[FeedSubscription]) -> None:
        """Give the chosen readers new links."""
        for subscription in queryset:
            try:
                services.replace_link(subscription, timezone.now())
            except services.LinkClosedError as closed:
                self.message_user(request, f"{subscription}: {closed}", messages.ERROR)
            else:
                self.message_user(
                    request, f"{subscription}: new link made. Open it to copy the address."
                )

    @admin.action(description="Revoke", permissions=["change"])
    def revoke(self, request: HttpRequest, queryset: QuerySet[FeedSubscription]) -> None:
        """Close the chosen links for good."""
        for subscription in queryset:
            services.revoke(subscription, timezone.now())
            self.message_user(request, f"{subscription}: the link opens nothing any more.")
