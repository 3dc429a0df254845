"""The office's page of the crews' phones: links to hand out, phones that are signed in."""

from typing import Any
from urllib.parse import quote

import segno
from django.contrib import admin, messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.safestring import mark_safe

from crews.admin.words import moment_words
from crews.models import Phone
from crews.services import phones


@admin.register(Phone)
class PhoneAdmin(admin.ModelAdmin):
    """Whose phone reads and reports for which crew, and whether it still does."""

    list_display = ("person_name", "crew", "state", "last_seen_at", "client", "enrolled_at")
    list_filter = ("crew", ("revoked_at", admin.EmptyFieldListFilter))
    list_select_related = ("crew",)
    search_fields = ("person_name", "crew__name")
    ordering = ("crew__name", "person_name", "id")
    actions = ("new_link", "revoke")

    def get_fields(self, request: HttpRequest, obj: Phone | None = None) -> list[str]:
        """Return the fields; the link only for those who may also make a new one."""
        typed = ["crew", "person_name", "user"]
        if obj is None:
            return typed
        link = ["link"] if self.has_change_permission(request, obj) else []
        return [*typed, *link, "state", "link_made_at", "enrolled_at", "last_seen_at", "client"]

    def get_readonly_fields(self, request: HttpRequest, obj: Phone | None = None) -> list[str]:
        """Return the fields that are not typed."""
        return ["link", "state", "link_made_at", "enrolled_at", "last_seen_at", "client"]

    def save_model(self, request: HttpRequest, obj: Phone, form: Any, change: bool) -> None:
        """Make the link when a phone is added; keep what names the person when it is changed."""
        if change:
            obj.save(update_fields=["crew", "person_name", "user"])
            return
        made, _ = phones.invite(
            crew=obj.crew, person_name=obj.person_name, user=obj.user, now=timezone.now()
        )
        obj.pk = made.pk
        obj.refresh_from_db()

    def response_add(
        self, request: HttpRequest, obj: Phone, post_url_continue: str | None = None
    ) -> HttpResponse:
        """Go on to the page that shows the link: it is what the office came for."""
        if "_addanother" in request.POST or "_popup" in request.POST:
            return super().response_add(request, obj, post_url_continue)
        self.message_user(request, f"{obj}: link made. Show, print or text it to that person.")
        return redirect("admin:crews_phone_change", obj.pk)

    @admin.display(description="link")
    def link(self, phone: Phone) -> str:
        """Return the address with its QR code and the words on how to use it."""
        try:
            url = phones.link_url(phone, now=timezone.now())
        except phones.PhoneLinkClosedError as closed:
            return render_to_string("crews/phone_link.html", {"closed": str(closed)})
        code = segno.make(url, micro=False, error="m")
        shown = {
            "phone": phone,
            "url": url,
            "qr": mark_safe(code.svg_inline(scale=5, light="#fff", dark="#000")),
            "sms": f"sms:?body={quote(url, safe='')}",
        }
        return render_to_string("crews/phone_link.html", shown)

    @admin.display(description="state", ordering="revoked_at")
    def state(self, phone: Phone) -> str:
        """Return whether the phone is in, or its link still lets one in."""
        if phone.revoked_at is not None:
            return f"Revoked {moment_words(phone.revoked_at)}"
        if phone.enrolled_at is not None:
            return "Signed in"
        if phone.link_ends_at <= timezone.now():
            return "Link out of date"
        return f"Link opens until {moment_words(phone.link_ends_at)}"

    @admin.action(description="New link (the old phone and link stop)", permissions=["change"])
    def new_link(self, request: HttpRequest, queryset: QuerySet[Phone]) -> None:
        """Give the chosen people new links; what they had opens nothing any more."""
        for phone in queryset:
            phones.renew_link(phone=phone, now=timezone.now())
            self.log_change(request, phone, "New link.")
            self.message_user(request, f"{phone}: new link made. Open it to show or print it.")

    @admin.action(description="Revoke", permissions=["change"])
    def revoke(self, request: HttpRequest, queryset: QuerySet[Phone]) -> None:
        """Let the chosen phones in no more."""
        for phone in queryset:
            phones.revoke_phone(phone=phone, now=timezone.now())
            self.log_change(request, phone, "Revoked.")
            words = f"{phone}: the phone is let in no more. What it has not sent yet stays on it."
            self.message_user(request, words, messages.SUCCESS)
