"""The office's pages of buyers' links, and of the photos that buyers see."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import segno
from django.contrib import admin, messages
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe

from crews.admin.words import moment_words
from crews.services import LinkClosedError
from jobs.models import BuyerLink, ReportPhoto
from jobs.services import buyer_links

if TYPE_CHECKING:
    from django.db.models import QuerySet
    from django.http import HttpRequest


@admin.register(BuyerLink)
class BuyerLinkAdmin(admin.ModelAdmin):
    """Who may open which job's page, and whether it is looked at."""

    list_display = ("reader", "job", "state", "last_opened_at", "created_at")
    list_filter = (("revoked_at", admin.EmptyFieldListFilter),)
    list_select_related = ("job",)
    search_fields = ("reader", "job__number", "job__buyer_name")
    ordering = ("job__number", "reader", "id")
    autocomplete_fields = ("job",)
    actions = ("new_link", "revoke")

    def get_fields(self, request: HttpRequest, obj: BuyerLink | None = None) -> list[str]:
        """Return the fields; the address only for those who may also replace it."""
        if obj is None:
            return ["job", "reader"]
        link = ["link"] if self.has_change_permission(request, obj) else []
        return ["job", "reader", *link, "state", "created_at", "last_opened_at"]

    def get_readonly_fields(self, request: HttpRequest, obj: BuyerLink | None = None) -> list[str]:
        """Return the fields that are not typed; a link never moves to another job."""
        fixed = ["link", "state", "created_at", "last_opened_at"]
        return fixed if obj is None else ["job", *fixed]

    def save_model(self, request: HttpRequest, obj: BuyerLink, form: Any, change: bool) -> None:
        """Make the link when a reader is added."""
        if change:
            obj.save(update_fields=["reader"])
            return
        made, _ = buyer_links.make_link(job=obj.job, reader=obj.reader, now=timezone.now())
        obj.pk = made.pk
        obj.refresh_from_db()

    @admin.display(description="link")
    def link(self, link: BuyerLink) -> str:
        """Return the address with the words on how to give it."""
        try:
            url = buyer_links.page_url(link=link)
        except LinkClosedError as closed:
            return str(closed)
        code = mark_safe(segno.make(url, micro=False).svg_inline(scale=4, light="#fff"))
        return render_to_string("admin/jobs/buyerlink/link.html", {"url": url, "qr": code})

    @admin.display(description="state", ordering="revoked_at")
    def state(self, link: BuyerLink) -> str:
        """Return whether the link opens."""
        if link.revoked_at is None:
            return "Open"
        return f"Revoked {moment_words(link.revoked_at)}"

    @admin.action(description="New link (the old one stops working)", permissions=["change"])
    def new_link(self, request: HttpRequest, queryset: QuerySet[BuyerLink]) -> None:
        """Give the chosen readers new links."""
        for link in queryset.select_related("job"):
            try:
                buyer_links.replace_link(link=link, now=timezone.now())
            except LinkClosedError as closed:
                self.message_user(request, f"{link}: {closed}", messages.ERROR)
            else:
                self.log_change(request, link, "New link.")
                self.message_user(request, f"{link}: new link made. Open it to copy the address.")

    @admin.action(description="Revoke", permissions=["change"])
    def revoke(self, request: HttpRequest, queryset: QuerySet[BuyerLink]) -> None:
        """Close the chosen links for good."""
        for link in queryset.select_related("job"):
            buyer_links.revoke_link(link=link, now=timezone.now())
            self.log_change(request, link, "Revoked.")
            self.message_user(request, f"{link}: the link opens nothing any more.")


@admin.register(ReportPhoto)
class ReportPhotoAdmin(admin.ModelAdmin):
    """Photos from the sites: the office chooses which of them a buyer sees."""

    list_display = ("picture", "job", "phase", "made", "by", "is_released")
    list_display_links = None
    list_filter = ("is_released", "received_at")
    list_select_related = ("report__phase__job",)
    search_fields = ("report__phase__job__number", "report__phase__job__buyer_name")
    ordering = ("-received_at", "-id")
    list_per_page = 40
    actions = ("show_to_buyer", "hide_from_buyer")

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Photos come with reports."""
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Nothing of a photo is typed."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        """Facts are kept."""
        return False

    def has_release_permission(self, request: HttpRequest) -> bool:
        """Return whether this person may show photos to buyers: who may change jobs."""
        return bool(request.user.has_perm("jobs.change_job"))

    @admin.display(description="photo")
    def picture(self, photo: ReportPhoto) -> SafeString:
        """Return the photo, small, as a link to itself."""
        return format_html(
            '<a href="{0}"><img src="{0}" alt="Photo {1}, {2}" width="{3}" height="90" '
            'loading="lazy"></a>',
            reverse("api:report-photo", args=[photo.pk]),
            photo.pk,
            photo.report.phase,
            round(90 * photo.width_px / photo.height_px),
        )

    @admin.display(description="job", ordering="report__phase__job__number")
    def job(self, photo: ReportPhoto) -> str:
        """Return the job it is of."""
        return str(photo.report.phase.job)

    @admin.display(description="phase", ordering="report__phase__code")
    def phase(self, photo: ReportPhoto) -> str:
        """Return the phase it was reported with."""
        return photo.report.phase.get_code_display()

    @admin.display(description="made", ordering="report__made_at")
    def made(self, photo: ReportPhoto) -> str:
        """Return when its report was made."""
        return moment_words(photo.report.made_at)

    @admin.display(description="by")
    def by(self, photo: ReportPhoto) -> str:
        """Return who reported it."""
        return photo.report.by_name

    @admin.action(description="Show to the buyer", permissions=["release"])
    def show_to_buyer(self, request: HttpRequest, queryset: QuerySet[ReportPhoto]) -> None:
        """Let the buyers' pages show the chosen photos."""
        number = buyer_links.show_photos(
            photos=queryset.values_list("pk", flat=True), to_buyer=True
        )
        self.message_user(request, f"{number} more photos are shown to their buyers.")

    @admin.action(description="Hide from the buyer", permissions=["release"])
    def hide_from_buyer(self, request: HttpRequest, queryset: QuerySet[ReportPhoto]) -> None:
        """Take the chosen photos off the buyers' pages."""
        number = buyer_links.show_photos(
            photos=queryset.values_list("pk", flat=True), to_buyer=False
        )
        self.message_user(request, f"{number} photos are no longer shown to their buyers.")
