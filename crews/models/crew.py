"""Crews, machines, and days without work."""

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from crews.models.firm import WorkHours


class Crew(models.Model):
    """People who work as one."""

    class Skill(models.TextChoices):
        LAYOUT = "LAYOUT", "Layout"
        AUGER = "AUGER", "Auger"
        CONCRETE = "CONCRETE", "Concrete"
        FRAMING = "FRAMING", "Framing"
        STEEL = "STEEL", "Steel"
        FINISH = "FINISH", "Doors, liner and finish"

    name = models.CharField(max_length=60, unique=True)
    lead_name = models.CharField(max_length=60, blank=True)
    lead_phone = models.CharField(max_length=30, blank=True)
    lead = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="crews_led",
        help_text="The sign-in of the crew lead.",
    )
    size = models.PositiveSmallIntegerField(
        validators=[MinValueValidator(1), MaxValueValidator(20)], help_text="People."
    )
    people_by_name = models.CharField(
        max_length=300,
        blank=True,
        help_text="Who they are, like Dell, Ina, Corbin; shown to the crew alone.",
    )
    skills = models.JSONField(default=list, help_text="What this crew may be booked for.")
    pace = models.FloatField(
        default=1.0,
        validators=[MinValueValidator(0.3), MaxValueValidator(2.0)],
        help_text="1 works at the firm's rates; 1.2 is a fifth faster.",
    )
    work_hours = models.ForeignKey(WorkHours, on_delete=models.PROTECT, related_name="crews")
    is_active = models.BooleanField("active", default=True)
    feed_revised_at = models.DateTimeField(
        null=True, editable=False, help_text="Only ever moves forward."
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="crew_size_at_least_one",
                condition=Q(size__gte=1),
                violation_error_message="A crew has at least one person.",
            ),
            models.CheckConstraint(
                name="crew_pace_above_zero",
                condition=Q(pace__gt=0),
                violation_error_message="Pace is above 0; 1 is the firm's own rate.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        """Refuse skills that no phase asks for."""
        known = list(self.Skill.values)
        wrong = [skill for skill in self.skills if skill not in known]
        if not isinstance(self.skills, list) or wrong or not self.skills:
            raise ValidationError(
                {"skills": f"Skills {self.skills!r}: choose one or more of {', '.join(known)}."}
            )


class Equipment(models.Model):
    """A machine that crews share."""

    class Kind(models.TextChoices):
        AUGER = "AUGER", "Auger rig"
        TELEHANDLER = "TELEHANDLER", "Telehandler"

    name = models.CharField(max_length=60, unique=True)
    kind = models.CharField(max_length=12, choices=Kind)
    is_active = models.BooleanField("active", default=True)

    class Meta:
        verbose_name_plural = "equipment"

    def __str__(self) -> str:
        return self.name


# The reason of a crew's day off that the office gave it since rain is to come.
RAINED_OFF = "Rained off"


class DayOff(models.Model):
    """Days without work, first and last included: the firm's, one crew's, or one machine's."""

    first_day = models.DateField()
    last_day = models.DateField()
    crew = models.ForeignKey(
        Crew, null=True, blank=True, on_delete=models.CASCADE, related_name="days_off"
    )
    equipment = models.ForeignKey(
        Equipment, null=True, blank=True, on_delete=models.CASCADE, related_name="days_off"
    )
    reason = models.CharField(max_length=80)
    is_public_holiday = models.BooleanField(default=False, editable=False)

    class Meta:
        verbose_name_plural = "days off"
        constraints = [
            models.CheckConstraint(
                name="day_off_ends_after_it_starts",
                condition=Q(last_day__gte=F("first_day")),
                violation_error_message="The last day is before the first day.",
            ),
            models.CheckConstraint(
                name="day_off_of_crew_or_machine",
                condition=Q(crew__isnull=True) | Q(equipment__isnull=True),
                violation_error_message="Choose a crew or a machine, not both; none is everyone.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.reason}, {self.first_day}"


class HolidayYear(models.Model):
    """A year whose public holidays were written into days off; they are never written again."""

    year = models.PositiveSmallIntegerField(unique=True)

    def __str__(self) -> str:
        return str(self.year)
