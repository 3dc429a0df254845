"""The office's pages of crews, machines and days off."""

from typing import Any

from django import forms
from django.contrib import admin
from django.db.models import QuerySet
from django.http import HttpRequest
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.safestring import SafeString

from crews import selectors, services
from crews.admin.words import NOTHING, day_words, moment_words
from crews.models import Crew, DayOff, Equipment
from jobs.admin.recording import RecordsChanges
from jobs.forms import LabeledRows


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
    formset = LabeledRows
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
        (
            None,
            {
                "fields": (
                    "name",
                    "is_active",
                    "size",
                    "people_by_name",
                    "skills",
                    "pace",
                    "work_hours",
                )
            },
        ),
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
            services.tell_new_name(shown=obj, now=timezone.now())

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
        return (
            f"{moment_words(crew.next_work_at)}: {crew.next_work}" if crew.next_work_at else NOTHING
        )

    @admin.display(description="next day off", ordering="next_day_off")
    def next_day_off_shown(self, crew: Any) -> str:
        """Return the first day of the crew's or everyone's next days off."""
        return day_words(crew.next_day_off)

    @admin.display(description="readers, fetched", ordering="readers")
    def readers_shown(self, crew: Any) -> SafeString:
        """Return how many calendars listen, as a link to them, and when one last asked."""
        readers = reverse("admin:crews_feedsubscription_changelist")
        link = format_html('<a href="{}?crew__id__exact={}">{}</a>', readers, crew.pk, crew.readers)
        return (
            format_html("{}, {}", link, moment_words(crew.last_fetched_at))
            if crew.readers
            else link
        )


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
        return day_words(machine.next_day_off)


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
