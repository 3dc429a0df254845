"""Rows of weather: areas, their hours, and the limits that stop work."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator, URLValidator
from django.db import models
from django.db.models import Q

from contractor.trade.weather import PHASE_GATES, WeatherGate
from contractor.trade.weather_allowance import MEAN_MONTH_DAYS, Normals
from crews.models import validate_month_temperatures

if TYPE_CHECKING:
    from collections.abc import Iterable

_COUNTY = re.compile(r"[^;]{1,60} [A-Z]{2}")
# So that nothing but the web is fetched, whatever somebody types.
WEB_ADDRESS = URLValidator(schemes=("http", "https"))
MOST_MUD_DAYS = MaxValueValidator(10)


def validate_counties(value: str) -> None:
    """Refuse a text that is not a list of counties with their states."""
    for part in value.split(";"):
        if part.strip() and not _COUNTY.fullmatch(part.strip()):
            raise ValidationError(
                f"{part.strip()!r} is not a county with its state. "
                "Write them like Harrow County OH; Oxbow County OH."
            )


def validate_month_days(value: str) -> None:
    """Refuse anything but twelve numbers of days, January first."""
    try:
        days = [float(part) for part in value.split()]
    except ValueError:
        days = []
    longest = [-(-month // 1) for month in MEAN_MONTH_DAYS]
    if len(days) != 12 or not all(0 <= n <= most for n, most in zip(days, longest, strict=True)):
        raise ValidationError(
            f"{value!r} is not twelve numbers of days. Write how many days of each month, "
            "January first, apart by spaces; no more than the month has."
        )


class WeatherArea(models.Model):
    """Counties that share one forecast and one set of monthly normals."""

    name = models.CharField(max_length=60, unique=True)
    counties = models.CharField(
        max_length=400,
        blank=True,
        validators=[validate_counties],
        help_text="Counties with their state, like Harrow County OH; Oxbow County OH.",
    )
    is_default = models.BooleanField(
        "default", default=False, help_text="Jobs of all other counties are here."
    )
    forecast_url = models.CharField(
        "forecast address",
        max_length=300,
        blank=True,
        validators=[WEB_ADDRESS],
        help_text="JSON of the US National Weather Service: gridpoint data (with amounts of rain) "
        "or the hourly forecast. Empty: nothing is fetched.",
    )
    month_temperatures_degf = models.CharField(
        "mean temperature by month (°F)",
        max_length=80,
        blank=True,
        validators=[validate_month_temperatures],
        help_text="Twelve numbers, January first. Empty: the firm's own.",
    )
    rain_days_010 = models.CharField(
        "days with 0.10 in of rain or more",
        max_length=80,
        validators=[validate_month_days],
        default="7 6 7 8 8 7 7 6 6 6 7 7",
        help_text="By month, as the normals of a nearby station tell. They stop roof steel.",
    )
    rain_days_025 = models.CharField(
        "days with 0.25 in or more",
        max_length=80,
        validators=[validate_month_days],
        default="3.5 3 4 4.5 5 4.5 4.5 4 3.5 3.5 3.5 3.5",
        help_text="They stop framing, wall steel and concrete.",
    )
    rain_days_050 = models.CharField(
        "days with 0.50 in or more",
        max_length=80,
        validators=[validate_month_days],
        default="1.5 1.3 1.8 2.1 2.5 2.5 2.5 2.1 1.9 1.6 1.7 1.5",
        help_text="They stop digging, and mud follows.",
    )
    windy_days = models.CharField(
        "days too windy for trusses",
        max_length=80,
        validators=[validate_month_days],
        default="4 4 5 4 2 1 1 1 1 2 3 4",
        help_text="Days with wind over the limit of trusses and roof steel.",
    )
    mud_days_good = models.PositiveSmallIntegerField(
        "mud days in good soil", default=1, validators=[MOST_MUD_DAYS]
    )
    mud_days_hard = models.PositiveSmallIntegerField(
        "mud days in clay",
        default=2,
        validators=[MOST_MUD_DAYS],
        help_text="Days after heavy rain in which clay does not carry an auger.",
    )
    mud_days_rock = models.PositiveSmallIntegerField(
        "mud days on rock", default=0, validators=[MOST_MUD_DAYS]
    )
    last_good_at = models.DateTimeField(null=True, editable=False)
    last_tried_at = models.DateTimeField(null=True, editable=False)
    last_error = models.CharField(max_length=300, blank=True, editable=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["is_default"],
                condition=Q(is_default=True),
                name="weather_area_one_default",
                violation_error_message="Another area is the default already.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def county_names(self) -> frozenset[str]:
        """Return its counties with their states, as a job's county and state read together."""
        return frozenset(part.strip() for part in self.counties.split(";") if part.strip())

    def normals(self) -> Normals:
        """Return its monthly normals."""
        return Normals(
            rain_days_010=_numbers(self.rain_days_010),
            rain_days_025=_numbers(self.rain_days_025),
            rain_days_050=_numbers(self.rain_days_050),
            windy_days=_numbers(self.windy_days),
            mud_days=(self.mud_days_good, self.mud_days_hard, self.mud_days_rock),
        )


def _numbers(text: str) -> tuple[float, ...]:
    return tuple(float(part) for part in text.split())


class WeatherHour(models.Model):
    """One hour of an area's weather as one source tells it; a day is read from its hours."""

    class Source(models.TextChoices):
        FORECAST = "FORECAST", "Forecast"
        CSV = "CSV", "File"
        BY_HAND = "BY_HAND", "By hand"
        MEASURED = "MEASURED", "Measured"

    area = models.ForeignKey(WeatherArea, on_delete=models.CASCADE, related_name="hours")
    starts_at = models.DateTimeField()
    source = models.CharField(max_length=8, choices=Source)
    made_at = models.DateTimeField()
    temp_degf = models.FloatField(
        null=True, blank=True, validators=[MinValueValidator(-80), MaxValueValidator(135)]
    )
    wind_mph = models.FloatField(
        null=True, blank=True, validators=[MinValueValidator(0), MaxValueValidator(150)]
    )
    gust_mph = models.FloatField(
        null=True, blank=True, validators=[MinValueValidator(0), MaxValueValidator(250)]
    )
    rain_in = models.FloatField(
        null=True, blank=True, validators=[MinValueValidator(0), MaxValueValidator(12)]
    )
    humidity_percent = models.FloatField(
        null=True, blank=True, validators=[MinValueValidator(0), MaxValueValidator(100)]
    )
    thunder = models.BooleanField(default=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["area", "starts_at", "source"], name="weather_hour_once_per_source"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.area}, {self.starts_at:%Y-%m-%d %H:%M} UTC"


def _limit(
    verbose_name: str, *, least: float, most: float, help_text: str = ""
) -> models.FloatField[float | None, float | None]:
    return models.FloatField(
        verbose_name,
        null=True,
        blank=True,
        help_text=help_text,
        validators=[MinValueValidator(least), MaxValueValidator(most)],
    )


class WeatherLimit(models.Model):
    """The firm's own limits of one gate, in place of the starter values; empty is no limit."""

    GATES: Iterable[WeatherGate] = (*PHASE_GATES, WeatherGate.LIFT, WeatherGate.OUTDOORS)

    gate = models.CharField(
        max_length=8, unique=True, choices=[(gate.value, gate.label) for gate in GATES]
    )
    caution_wind_mph = _limit("caution from wind (mph)", least=1, most=100)
    stop_wind_mph = _limit("stop from wind (mph)", least=1, most=100)
    stop_gust_mph = _limit("stop from gusts (mph)", least=1, most=120)
    stop_rain_in = _limit("stop from rain (in)", least=0.01, most=5)
    caution_degf = _limit("caution below (°F)", least=-60, most=100)
    stop_degf = _limit("stop below (°F)", least=-60, most=100)
    caution_heat_degf = _limit("caution from heat index (°F)", least=60, most=140)
    stop_heat_degf = _limit("stop from heat index (°F)", least=60, most=160)
    caution_chill_degf = _limit("caution below wind chill (°F)", least=-80, most=50)
    note = models.CharField(max_length=120, blank=True)

    class Meta:
        verbose_name = "weather limit"

    def __str__(self) -> str:
        return self.get_gate_display()

    def clean(self) -> None:
        """Refuse a caution that comes after its stop."""
        pairs = (
            ("caution_wind_mph", "stop_wind_mph", False),
            ("caution_heat_degf", "stop_heat_degf", False),
            ("caution_degf", "stop_degf", True),
        )
        for caution, stop, is_cold in pairs:
            first, last = getattr(self, caution), getattr(self, stop)
            if (
                first is not None
                and last is not None
                and (first < last if is_cold else first > last)
            ):
                side = "at or above" if is_cold else "at or below"
                message = f"{first:g}: the caution comes first; write it {side} the stop {last:g}."
                raise ValidationError({caution: message})
