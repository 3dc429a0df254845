"""The office's page of calendar links."""

from typing import Any

import segno
from django import forms
from django.contrib import admin, messages
from django.db.models import QuerySet
from django.http import HttpRequest
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.safestring import mark_safe

from crews import services
from crews.admin.words import moment_words
from crews.models import FeedCalendar, FeedSubscription
from inspections.models import Authority
from jobs.models import Job
from jobs.services.feed_readers import subscribe_to

OF_CREW = "CREW"
# Which field names whose calendar it is; the firm's needs none.
_NAMED_BY = {
    OF_CREW: "crew",
    FeedCalendar.Kind.JOB.value: "job",
    FeedCalendar.Kind.BUYER.value: "job",
    FeedCalendar.Kind.AUTHORITY.value: "authority",
}


class SubscriptionForm(forms.ModelForm):
    """A new reader: which calendar, and for whom."""

    kind = forms.ChoiceField(
        label="calendar",
        choices=[(OF_CREW, "A crew"), *FeedCalendar.Kind.choices],
        required=False,
    )
    job = forms.ModelChoiceField(
        Job.objects.filter(status__in=(Job.Status.SIGNED, Job.Status.ON_HOLD)).order_by("number"),
        required=False,
        help_text="For a job's calendar, and for its buyer's.",
    )
    authority = forms.ModelChoiceField(
        Authority.objects.order_by("name"),
        required=False,
        help_text="For an authority's inspections.",
    )

    class Meta:
        model = FeedSubscription
        fields = ("crew", "reader")
        help_texts = {"crew": "For a crew's calendar."}

    def clean(self) -> dict[str, Any]:
        """Ask for what the chosen calendar needs, and for nothing else."""
        cleaned: dict[str, Any] = super().clean() or self.cleaned_data
        if self.instance.pk is not None:
            return cleaned
        cleaned["kind"] = cleaned.get("kind") or OF_CREW
        needed = _NAMED_BY.get(cleaned["kind"], "")
        for name in ("crew", "job", "authority"):
            if name == needed and not cleaned.get(name) and name not in self.errors:
                self.add_error(name, f"Choose whose calendar it is: the {name}.")
            elif name != needed and cleaned.get(name):
                self.add_error(name, "This calendar is another one's: leave this empty.")
        return cleaned


@admin.register(FeedSubscription)
class FeedSubscriptionAdmin(admin.ModelAdmin):
    """Who reads which calendar, and whether it still listens."""

    form = SubscriptionForm
    list_display = ("reader", "shows", "state", "last_fetched_at", "last_client", "created_at")
    list_filter = ("crew", "calendar__kind", ("revoked_at", admin.EmptyFieldListFilter))
    list_select_related = ("crew", "calendar")
    search_fields = ("reader", "crew__name", "calendar__name")
    ordering = ("crew__name", "calendar__name", "reader", "id")
    autocomplete_fields = ("crew",)
    actions = ("new_link", "revoke")

    def get_fields(self, request: HttpRequest, obj: FeedSubscription | None = None) -> list[str]:
        """Return the fields; the address only for those who may also replace it."""
        if obj is None:
            return ["kind", "crew", "job", "authority", "reader"]
        shown = ["shows", "reader", "state", "created_at", "last_fetched_at", "last_client"]
        may_change = self.has_change_permission(request, obj)
        return [*shown[:2], "link", *shown[2:]] if may_change else shown

    def get_readonly_fields(
        self, request: HttpRequest, obj: FeedSubscription | None = None
    ) -> list[str]:
        """Return the fields that are not typed; a link never moves to another calendar."""
        return ["shows", "link", "state", "created_at", "last_fetched_at", "last_client"]

    def save_model(
        self, request: HttpRequest, obj: FeedSubscription, form: Any, change: bool
    ) -> None:
        """Make the link when a reader is added."""
        if change:
            obj.save(update_fields=["reader"])
            return
        made = _subscribe(form.cleaned_data)
        obj.pk = made.pk
        obj.refresh_from_db()

    @admin.display(description="calendar", ordering="crew__name")
    def shows(self, subscription: FeedSubscription) -> str:
        """Return whose calendar it is."""
        return str(subscription.shows)

    @admin.display(description="link")
    def link(self, subscription: FeedSubscription) -> str:
        """Return the address with the words on how to use it."""
        try:
            url = services.feed_url(subscription)
        except services.LinkClosedError as closed:
            return render_to_string("crews/link.html", {"closed": str(closed)})
        return render_to_string("crews/link.html", link_context(subscription, url))

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
                self.log_change(request, subscription, "New link.")
                self.message_user(
                    request, f"{subscription}: new link made. Open it to copy the address."
                )

    @admin.action(description="Revoke", permissions=["change"])
    def revoke(self, request: HttpRequest, queryset: QuerySet[FeedSubscription]) -> None:
        """Close the chosen links for good."""
        for subscription in queryset:
            services.revoke(subscription, timezone.now())
            self.log_change(request, subscription, "Revoked.")
            self.message_user(request, f"{subscription}: the link opens nothing any more.")


def link_context(subscription: FeedSubscription, url: str) -> dict[str, Any]:
    """Return what the words about a link need: the address, ways to open it, and a QR code."""
    help_url = url.removesuffix(".ics") + "/"
    return {
        "url": url,
        "webcal_url": "webcal:" + url.partition(":")[2],
        "help_url": help_url,
        "qr": mark_safe(segno.make(help_url, micro=False).svg_inline(scale=4, light="#fff")),
        "shown": subscription.shows,
    }


def _subscribe(chosen: dict[str, Any]) -> FeedSubscription:
    """Make the link that a checked form asks for."""
    now, kind, reader = timezone.now(), chosen["kind"], chosen["reader"]
    if kind == OF_CREW:
        return services.subscribe(crew=chosen["crew"], reader=reader, now=now)[0]
    of = chosen.get(_NAMED_BY.get(kind, ""))
    return subscribe_to(kind=kind, number=of.pk if of else 0, reader=reader, now=now)[0]
