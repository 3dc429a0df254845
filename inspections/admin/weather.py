"""The office's pages of weather: areas, the firm's own limits, and the desk."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.contrib import admin, messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.template.response import TemplateResponse
from django.urls import URLPattern, path
from django.utils import timezone

from contractor.trade.weather import STARTER_LIMITS, WeatherGate
from inspections.admin.weather_desk import DayForm, DaysFileForm, desk_context
from inspections.models import WeatherArea, WeatherHour, WeatherLimit
from inspections.services import weather
from inspections.services.weather_sources import DaysFile, NwsForecast, SourceError
from jobs.admin.replanning import plan_again
from jobs.admin.words import count, day
from jobs.forms import NamedErrors

DESK = "admin:inspections_weatherarea_desk"
# A page waits no longer than this for a source; the worker is more patient.
PAGE_SECONDS = 8.0


class AreaForm(NamedErrors):
    """An area; a county is in one area only."""

    def clean(self) -> dict[str, Any]:
        """Refuse a county that another area names."""
        cleaned = super().clean()
        mine = {part.strip() for part in (cleaned.get("counties") or "").split(";") if part.strip()}
        for other in WeatherArea.objects.exclude(pk=self.instance.pk).order_by("id"):
            taken = sorted(mine & other.county_names())
            if taken:
                self.add_error("counties", f"{taken[0]} is in {other} already. Take it out there.")
        return cleaned


@admin.register(WeatherArea)
class WeatherAreaAdmin(admin.ModelAdmin):
    """Areas with one forecast and one set of normals each, and the weather desk."""

    form = AreaForm
    list_display = ("name", "counties", "is_default", "fetched", "last_error")
    ordering = ("name",)
    change_list_template = "admin/inspections/weatherarea/change_list.html"
    fieldsets = (
        (None, {"fields": ("name", "counties", "is_default", "forecast_url")}),
        (
            "Monthly normals",
            {
                "description": "Twelve numbers each, January first, from the climate normals of a "
                "station nearby. They shorten work days that no forecast reaches. The starter "
                "values are common practice, no source: enter your own.",
                "fields": (
                    "month_temperatures_degf",
                    "rain_days_010",
                    "rain_days_025",
                    "rain_days_050",
                    "windy_days",
                ),
            },
        ),
        ("Mud", {"fields": (("mud_days_good", "mud_days_hard", "mud_days_rock"),)}),
    )

    @admin.display(description="last good forecast", ordering="last_good_at")
    def fetched(self, area: WeatherArea) -> str:
        """Return when a forecast was last fetched."""
        return day(area.last_good_at) if area.forecast_url else "by hand"

    def get_urls(self) -> list[URLPattern]:
        """Return the stock addresses and those of the desk."""
        view = self.admin_site.admin_view
        return [
            path("desk/", view(self.desk), name="inspections_weatherarea_desk"),
            path(
                "<int:area_id>/refresh/",
                view(self.refresh),
                name="inspections_weatherarea_refresh",
            ),
            path(
                "<int:area_id>/enter-day/",
                view(self.enter_day),
                name="inspections_weatherarea_enter_day",
            ),
            path(
                "<int:area_id>/forget-day/",
                view(self.forget_day),
                name="inspections_weatherarea_forget_day",
            ),
            path(
                "<int:area_id>/send-days/",
                view(self.send_days),
                name="inspections_weatherarea_send_days",
            ),
            *super().get_urls(),
        ]

    def desk(self, request: HttpRequest) -> HttpResponse:
        """Show the weather of the next days, and what it stops."""
        if not self.has_view_permission(request):
            raise PermissionDenied
        return self._desk(request)

    def refresh(self, request: HttpRequest, area_id: int) -> HttpResponse:
        """Fetch an area's forecast now."""
        area = self._posted_area(request, area_id)
        source = None
        if area.forecast_url:
            source = NwsForecast(
                area.forecast_url,
                weather.agent(),
                connect_seconds=PAGE_SECONDS / 2,
                most_seconds=PAGE_SECONDS,
            )
        error = weather.refresh(area=area, now=timezone.now(), source=source)
        if error:
            messages.warning(request, f"{area}: {error} What was known is kept.")
        else:
            messages.success(request, f"{area}: the forecast is in.")
            plan_again(request, reason=f"new forecast for {area}")
        return redirect(DESK)

    def enter_day(self, request: HttpRequest, area_id: int) -> HttpResponse:
        """Store a day by hand."""
        area = self._posted_area(request, area_id)
        form = DayForm(request.POST, auto_id=f"id_{area.pk}_%s")
        if not form.is_valid():
            return self._desk(request, bound=(area.pk, form))
        told = form.cleaned_data["day"]
        weather.enter_day(
            area=area, day=told, summary=form.cleaned_data["summary"], now=timezone.now()
        )
        messages.success(request, f"{area}: {day(told)} is entered by hand.")
        plan_again(request, reason=f"weather of {area} on {told:%b %-d}")
        return redirect(DESK)

    def forget_day(self, request: HttpRequest, area_id: int) -> HttpResponse:
        """Take back what was entered by hand of a day."""
        area = self._posted_area(request, area_id)
        try:
            told = date.fromisoformat(request.POST.get("day", ""))
        except ValueError as error:
            raise Http404("No such day.") from error
        if weather.forget_day(area=area, day=told, now=timezone.now()):
            messages.success(request, f"{area}: {day(told)} is no longer by hand.")
            plan_again(request, reason=f"weather of {area} on {told:%b %-d}")
        return redirect(DESK)

    def send_days(self, request: HttpRequest, area_id: int) -> HttpResponse:
        """Store the days of a CSV file."""
        area = self._posted_area(request, area_id)
        form = DaysFileForm(request.POST, request.FILES)
        if not form.is_valid():
            for error in form.errors["days"]:
                messages.error(request, f"{area}: {error}")
            return redirect(DESK)
        now = timezone.now()
        file = DaysFile(form.cleaned_data["days"], timezone.get_default_timezone())
        try:
            told = file.tell(now=now)
        except SourceError as error:
            messages.error(request, f"{area}: {error}. Nothing is stored.")
            return redirect(DESK)
        hours = weather.store(area=area, source=WeatherHour.Source.CSV, told=told, now=now)
        messages.success(request, f"{area}: {count(hours, 'hour')} stored from the file.")
        plan_again(request, reason=f"weather of {area} from a file")
        return redirect(DESK)

    def _posted_area(self, request: HttpRequest, area_id: int) -> WeatherArea:
        if not self.has_change_permission(request) or request.method != "POST":
            raise PermissionDenied
        area = WeatherArea.objects.filter(pk=area_id).first()
        if area is None:
            raise Http404("There is no such area.")
        return area

    def _desk(self, request: HttpRequest, bound: tuple[int, DayForm] | None = None) -> HttpResponse:
        context = {
            **self.admin_site.each_context(request),
            "opts": self.opts,
            "may_change": self.has_change_permission(request),
            **desk_context(now=timezone.now(), bound=bound),
        }
        return TemplateResponse(request, "admin/inspections/weatherarea/desk.html", context)


@admin.register(WeatherLimit)
class WeatherLimitAdmin(admin.ModelAdmin):
    """The firm's own limits, in place of the starter values of a gate."""

    form = NamedErrors
    list_display = ("gate", "wind", "rain", "cold", "note")
    ordering = ("gate",)
    fieldsets = (
        (
            None,
            {
                "description": "A row takes the place of all starter values of its gate; an empty "
                "field is no limit. The plate on the machine, the truss bracing documents and the "
                "competent person on site come first. Thunder always stops the work.",
                "fields": (
                    "gate",
                    ("caution_wind_mph", "stop_wind_mph", "stop_gust_mph"),
                    "stop_rain_in",
                    ("caution_degf", "stop_degf"),
                    ("caution_heat_degf", "stop_heat_degf", "caution_chill_degf"),
                    "note",
                ),
            },
        ),
    )

    def get_changeform_initial_data(self, request: HttpRequest) -> dict[str, Any]:
        """Begin with the starter values of the gate that is asked for."""
        initial: dict[str, Any] = super().get_changeform_initial_data(request)
        gate = initial.get("gate")
        if gate in WeatherGate.__members__:
            limits = STARTER_LIMITS[WeatherGate(gate)]
            names = [field for field in limits.__slots__ if field not in ("lightning", "has_mud")]
            initial |= {name: getattr(limits, name) for name in names}
        return initial

    @admin.display(description="wind: caution, stop, gusts (mph)")
    def wind(self, limit: WeatherLimit) -> str:
        """Return the limits of wind."""
        return _row(limit.caution_wind_mph, limit.stop_wind_mph, limit.stop_gust_mph)

    @admin.display(description="rain: stop (in)")
    def rain(self, limit: WeatherLimit) -> str:
        """Return the limit of rain."""
        return _row(limit.stop_rain_in)

    @admin.display(description="cold: caution, stop (°F)")
    def cold(self, limit: WeatherLimit) -> str:
        """Return the limits of cold."""
        return _row(limit.caution_degf, limit.stop_degf)


def _row(*values: float | None) -> str:
    return ", ".join("none" if value is None else f"{value:g}" for value in values)
