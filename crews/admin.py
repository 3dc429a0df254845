"""The office's pages of the firm, its crews, machines, days off and calendar links."""

from datetime import date, datetime
from typing import Any

from django import forms
from django.contrib import admin, messages
from django.db.models import Count, QuerySet
from django.http import HttpRequest
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import formats, timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString

from crews import selectors, services
from crews.models import WEEKDAYS, Crew, DayOff, Equipment, FeedSubscription, Firm, WorkHours
from jobs.admin.recording import RecordsChanges

NOTHING = "–"


def _day(value: date | None) -> str:
    return formats.date_format(value, "D M j") if value else NOTHING


def _moment(value: datetime | None) -> str:
    return formats.date_format(timezone.localtime(value), "D M j, H:i") if value else NOTHING


@admin.register(Firm)
class FirmAdmin(RecordsChanges):
    """The one row of the builder."""

    list_display = ("name", "county", "state", "phone", "freeze_days")
    fieldsets = (
        (None, {"fields": ("name", "county", "state", "phone")}),
        ("Planning", {"fields": ("freeze_days", "site_most_fall_in", "crew_day_cost_usd")}),
        ("Curing", {"fields": ("month_temperatures_degf", "daily_swing_degf")}),
        (
            "Slips and messages",
            {
                "description": "Nothing is sent in the quiet hours. The same time in both means "
                "that there are none.",
                "fields": ("slip_threshold_days", "notice_hour", ("quiet_from", "quiet_until")),
            },
        ),
    )

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Return whether the firm can still be entered: there is one."""
        return super().has_add_permission(request) and not Firm.objects.exists()

    def has_delete_permission(self, request: HttpRequest, obj: Firm | None = None) -> bool:
        """Return False: nothing can be planned without the firm."""
        return False


@admin.register(WorkHours)
class WorkHoursAdmin(RecordsChanges):
    """Weeks of work."""

    list_display = ("name", *WEEKDAYS, "crew_count")
    search_fields = ("name",)
    ordering = ("name",)
    fieldsets = (
        (
            None,
            {
                "fields": ("name", *WEEKDAYS),
                "description": "Shifts at the yard, driving included, like 07:00-12:00 "
                "12:30-16:00. Leave a day empty, or write off, when there is no work.",
            },
        ),
    )

    def get_queryset(self, request: HttpRequest) -> QuerySet[WorkHours]:
        """Return the weeks with the number of crews that work them."""
        return super().get_queryset(request).annotate(crew_count=Count("crews"))

    @admin.display(description="crews", ordering="crew_count")
    def crew_count(self, week: Any) -> int:
        """Return how many crews work this week."""
        return int(week.crew_count)


class CrewForm(forms.ModelForm):
    """A crew, its skills as boxes to tick."""

    skills = forms.MultipleChoiceField(
        choices=Crew.Skill.choices,
        widget=forms.CheckboxSelectMultiple,
        help_text="What this crew may be booked for.",
    )

    class Meta:
        model = Crew
        exclude: tuple[str, ...] = ()


class DayOffInline(admin.TabularInline):
    """Days off of the crew or machine on whose page they stand."""

    model = DayOff
    fields = ("first_day", "last_day", "reason")
    ordering = ("first_day", "id")
    extra = 0
    verbose_name_plural = "its own days off"


@admin.register(Crew)
class CrewAdmin(RecordsChanges):
    """Crews: who leads, what they can do, where they work next, whose calendars listen."""

    form = CrewForm
    list_display = (
        "name",
        "is_active",
        "lead_shown",
        "size",
        "skills_shown",
        "next_work_shown",
        "next_day_off_shown",
        "readers_shown",
    )
    list_filter = ("is_active", "work_hours")
    search_fields = ("name", "lead_name")
    ordering = ("name",)
    inlines = (DayOffInline,)
    readonly_fields = ("readers_shown",)
    fieldsets = (
        (None, {"fields": ("name", "is_active", "size", "skills", "pace", "work_hours")}),
        ("Crew lead", {"fields": ("lead_name", "lead_phone", "lead")}),
    )

    def get_fieldsets(self, request: HttpRequest, obj: Crew | None = None) -> list[Any]:
        """Return the sections; a crew that exists has calendar readers to look at."""
        calendars = ("Calendars", {"fields": ("readers_shown",)})
        return [*super().get_fieldsets(request, obj), *([calendars] if obj else [])]

    def save_model(self, request: HttpRequest, obj: Crew, form: Any, change: bool) -> None:
        """Store the crew, and let its calendars' readers see a new name."""
        super().save_model(request, obj, form, change)
        if change and "name" in form.changed_data:
            services.tell_new_name(crew=obj, now=timezone.now())

    def get_queryset(self, request: HttpRequest) -> QuerySet[Crew]:
        """Return the crews with what the columns show."""
        crews = selectors.crews_with_readers(now=timezone.now())
        return crews.order_by(*self.get_ordering(request))

    @admin.display(description="lead", ordering="lead_name")
    def lead_shown(self, crew: Crew) -> str:
        """Return the lead and the number to call."""
        return ", ".join(filter(None, (crew.lead_name, crew.lead_phone))) or NOTHING

    @admin.display(description="skills")
    def skills_shown(self, crew: Crew) -> str:
        """Return the skills in words."""
        labels = [skill.label for skill in Crew.Skill if skill.value in crew.skills]
        return "All" if len(labels) == len(Crew.Skill) else ", ".join(labels)

    @admin.display(description="now or next", ordering="next_work_at")
    def next_work_shown(self, crew: Any) -> str:
        """Return the published work that is running or comes next."""
        return f"{_moment(crew.next_work_at)}: {crew.next_work}" if crew.next_work_at else NOTHING

    @admin.display(description="next day off", ordering="next_day_off")
    def next_day_off_shown(self, crew: Any) -> str:
        """Return the first day of the crew's or everyone's next days off."""
        return _day(crew.next_day_off)

    @admin.display(description="readers, fetched", ordering="readers")
    def readers_shown(self, crew: Any) -> SafeString:
        """Return how many calendars listen, as a link to them, and when one last asked."""
        readers = reverse("admin:crews_feedsubscription_changelist")
        link = format_html('<a href="{}?crew__id__exact={}">{}</a>', readers, crew.pk, crew.readers)
        return format_html("{}, {}", link, _moment(crew.last_fetched_at)) if crew.readers else link


@admin.register(Equipment)
class EquipmentAdmin(RecordsChanges):
    """Machines that crews share."""

    list_display = ("name", "kind", "next_day_off_shown", "is_active")
    list_filter = ("kind", "is_active")
    search_fields = ("name",)
    ordering = ("name",)
    inlines = (DayOffInline,)

    def get_queryset(self, request: HttpRequest) -> QuerySet[Equipment]:
        """Return the machines with their next days off."""
        machines = selectors.equipment_with_days_off(now=timezone.now())
        return machines.order_by(*self.get_ordering(request))

    @admin.display(description="next day out of service", ordering="next_day_off")
    def next_day_off_shown(self, machine: Any) -> str:
        """Return the first day of the machine's own next days off."""
        return _day(machine.next_day_off)


@admin.register(DayOff)
class DayOffAdmin(RecordsChanges):
    """Days without work: everyone's, a crew's or a machine's."""

    list_display = ("first_day", "last_day", "whose", "reason", "is_public_holiday")
    list_display_links = ("first_day", "reason")
    list_filter = ("is_public_holiday", "crew", "equipment")
    list_select_related = ("crew", "equipment")
    search_fields = ("reason", "crew__name", "equipment__name")
    date_hierarchy = "first_day"
    ordering = ("-first_day", "-id")
    autocomplete_fields = ("crew", "equipment")
    fieldsets = (
        (
            None,
            {
                "fields": ("first_day", "last_day", "reason", "crew", "equipment"),
                "description": "The last day is free too. With neither crew nor machine it is a "
                "day off for everyone. Delete a public holiday on which the firm works; it does "
                "not come back.",
            },
        ),
    )

    @admin.display(description="whose", ordering="crew__name")
    def whose(self, day_off: DayOff) -> str:
        """Return whose day off it is."""
        return str(day_off.crew or day_off.equipment or "Everyone")


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
        return f"Revoked {_moment(subscription.revoked_at)}"

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
