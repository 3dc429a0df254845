"""The firm and its working weeks."""

from datetime import date, time, timedelta
from decimal import Decimal

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator, RegexValidator
from django.db import models
from django.utils import timezone

from crews.shifts import ShiftTextError, parse_shifts

# A date typed wrong must not stretch the plan: nothing is promised further ahead than this.
FARTHEST_AHEAD = timedelta(days=5 * 366)


def farthest_day() -> date:
    """Return the last day that a promise, a permit or a delivery may be entered for."""
    return timezone.localdate() + FARTHEST_AHEAD


NOT_TOO_FAR = MaxValueValidator(
    farthest_day, "%(show_value)s is more than five years ahead. Enter the year again."
)


WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


STATE_CODE = RegexValidator(r"^[A-Z]{2}$", "Write the two capital letters of the state, like OH.")


def validate_shifts(value: str) -> None:
    """Refuse a text that is not a day's shifts."""
    try:
        parse_shifts(value)
    except ShiftTextError as error:
        raise ValidationError(str(error)) from error


def validate_month_temperatures(value: str) -> None:
    """Refuse anything but twelve mean temperatures in °F, January first."""
    try:
        temperatures = [float(part) for part in value.split()]
    except ValueError:
        temperatures = []
    if len(temperatures) != 12 or not all(-40 <= degf <= 110 for degf in temperatures):
        raise ValidationError(
            f"{value!r} is not twelve temperatures. Write the mean of each month in °F, "
            "January first, apart by spaces."
        )


class Firm(models.Model):
    """The builder. There is one row; selectors.firm() reads it."""

    name = models.CharField(max_length=80)
    county = models.CharField(max_length=60, blank=True)
    state = models.CharField(max_length=2, validators=[STATE_CODE])
    phone = models.CharField(max_length=30, blank=True)
    month_temperatures_degf = models.CharField(
        "mean temperature by month (°F)",
        max_length=80,
        validators=[validate_month_temperatures],
        default="28 31 41 52 62 71 75 73 66 54 43 33",
        help_text="Twelve numbers, January first. Concrete is expected to cure at these.",
    )
    daily_swing_degf = models.FloatField(
        "day to night swing (°F)",
        default=18,
        validators=[MinValueValidator(0), MaxValueValidator(50)],
    )
    freeze_days = models.PositiveSmallIntegerField(
        default=5,
        help_text="Published bookings that start within this many days stay where they are "
        "unless they must move.",
        validators=[MaxValueValidator(60)],
    )
    crew_day_cost_usd = models.DecimalField(
        "cost of a crew's day (USD)",
        max_digits=8,
        decimal_places=2,
        # Four people with their truck and tools; common practice, no source.
        default=Decimal("1600"),
        validators=[MinValueValidator(0)],
        help_text="What a day costs on which a crew cannot work. A starter value: enter your own.",
    )
    site_most_fall_in = models.FloatField(
        "most fall of a site (in)",
        # Common practice, no source.
        default=12,
        validators=[MinValueValidator(0), MaxValueValidator(240)],
        help_text="Across one building. More is a hold until the site is graded.",
    )
    notice_hour = models.TimeField(
        "messages go out at",
        default=time(16, 0),
        help_text="Each person gets one message a day, at this hour, with all that is new.",
    )
    quiet_from = models.TimeField(
        "quiet from", default=time(19, 0), help_text="No message is sent in the quiet hours."
    )
    quiet_until = models.TimeField(
        "quiet until",
        default=time(6, 0),
        help_text="The morning sheet goes out now, and what came up in the night.",
    )
    slip_threshold_days = models.FloatField(
        "a slip from (working days)",
        # Half a day can be made up within the week; our own.
        default=0.5,
        validators=[MinValueValidator(0.05), MaxValueValidator(20)],
        help_text="By how much later than published a finish is a slip.",
    )

    class Meta:
        verbose_name_plural = "firm"

    def __str__(self) -> str:
        return self.name


class WorkHours(models.Model):
    """A week of work: the shifts of each weekday at the yard, driving included."""

    name = models.CharField(max_length=60, unique=True)
    monday = models.CharField(max_length=60, blank=True, validators=[validate_shifts])
    tuesday = models.CharField(max_length=60, blank=True, validators=[validate_shifts])
    wednesday = models.CharField(max_length=60, blank=True, validators=[validate_shifts])
    thursday = models.CharField(max_length=60, blank=True, validators=[validate_shifts])
    friday = models.CharField(max_length=60, blank=True, validators=[validate_shifts])
    saturday = models.CharField(max_length=60, blank=True, validators=[validate_shifts])
    sunday = models.CharField(max_length=60, blank=True, validators=[validate_shifts])

    class Meta:
        verbose_name_plural = "work hours"

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        """Refuse a week without any work: nothing could ever be planned on it."""
        if not any(getattr(self, day).strip() not in ("", "off") for day in WEEKDAYS):
            raise ValidationError("No weekday has a shift. Write at least one, like 07:00-15:30.")

    def week(self) -> dict[int, tuple[tuple[time, time], ...]]:
        """Return the shifts by weekday, Monday 0; days off are left out."""
        week = {number: parse_shifts(getattr(self, day)) for number, day in enumerate(WEEKDAYS)}
        return {number: shifts for number, shifts in week.items() if shifts}
